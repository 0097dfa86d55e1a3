"""What each code becomes (DESIGN 3; FHIR.md 3): read here, judged by the contract's own validation."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from drainledger.domain.records import Event, Reading
from drainledger.fhir.reading import Named
from tests.fhir import samples
from tests.reading.desk import RENDERER, ROOT, Known, faults, judged, read_one, record_of
from tests.reading.posted import CHART, DRAIN, LOCAL, MRN, amount, concept, level, observation, quantity

ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"


def logical(sid: str, value: str) -> dict[str, Any]:
    """A reference by an identifier as it is served."""
    return {"identifier": {"system": f"{samples.BASE}/sid/{sid}", "value": value}}


def part(code: str, **value: Any) -> dict[str, Any]:
    return {"code": concept(code), **value}


def absent(reason: str, text: str | None = None) -> dict[str, Any]:
    said = {} if text is None else {"text": text}
    return {"dataAbsentReason": {"coding": [{"system": ABSENT, "code": reason}], **said}}


def test_a_level_whole() -> None:
    sent = level(Decimal("40.0"), issued="2026-03-02T07:03:00Z", note=[{"text": "foam"}, {"text": "two"}])
    assert record_of(sent) == {
        "record": "reading",
        "id": f"{CHART}|a-1",
        "drain": "drn-7",
        "at": "2026-03-02T07:00:00+00:00",
        "recorded_at": "2026-03-02T07:03:00Z",
        "observer": {"kind": "practitioner", "system": "https://ward.example/staff", "value": "N-88"},
        "note": "foam\ntwo",
        "level": {"value": Decimal("40.0"), "unit": "mL"},
    }


@pytest.mark.parametrize(
    ("sent", "fields"),
    [
        (level(40), {"level": 40}),
        (level(Decimal("0.04"), valueQuantity=quantity(Decimal("0.04"), "L")), {"level": 40}),
        (level(40, valueQuantity={"value": 40, "unit": "cc"}), {"level": 40}),
        (level(40, method=concept("device-count")), {"counter": 40}),
        (level(40, method=concept("scale-suction")), {"level": 40, "scale": "suction"}),
        (level(valueQuantity=None, **absent("not-performed", "Foam")), {"level_not_read": "foam"}),
        (
            level(valueQuantity=None, note=[{"text": "Level not read: tilted."}], **absent("not-performed")),
            {"level_not_read": "tilted", "note": None},
        ),
        (amount(35, "06:00", "07:00"), {"volume": 35, "from_": samples.at(6), "at": samples.at(7)}),
        (observation("drain-pressure", valueQuantity=quantity(-8, "cm[H2O]")), {"pressure": -8}),
        (observation("tidaling", valueCodeableConcept=concept("tidaling-present")), {"tidaling": "present"}),
        (observation("tidaling", **absent("not-performed")), {"tidaling": "not-assessed"}),
        (
            observation("patency", valueCodeableConcept=concept("patency-obstructed")),
            {"patency": "obstructed"},
        ),
        (
            observation("fluid-appearance", valueCodeableConcept=concept("appearance-serous")),
            {"appearance": ("serous",)},
        ),
        (
            observation(
                "fluid-appearance",
                component=[
                    part("fluid-appearance", valueCodeableConcept=concept(f"appearance-{word}"))
                    for word in ("clots", "sanguineous")
                ],
            ),
            {"appearance": ("sanguineous", "clots")},
        ),
    ],
)
def test_readings(sent: dict[str, Any], fields: dict[str, Any]) -> None:
    reading = judged(record_of(sent))
    assert isinstance(reading, Reading)
    for name, value in fields.items():
        assert getattr(reading, name) == value, name


def test_tidaling_with_its_swing() -> None:
    swing = part("tidaling-swing", valueQuantity=quantity(4, "cm[H2O]"))
    reading = judged(
        record_of(
            observation("tidaling", valueCodeableConcept=concept("tidaling-present"), component=[swing])
        )
    )
    assert isinstance(reading, Reading)
    assert (reading.tidaling, reading.swing) == ("present", Decimal(4))


@pytest.mark.parametrize("name", ["set", "applied"])
def test_suction(name: str) -> None:
    parts = [
        part("suction-mode", valueCodeableConcept=concept("mode-suction")),
        part("suction-indicator", **absent("not-performed")),
    ]
    reading = judged(
        record_of(observation(f"suction-{name}", valueQuantity=quantity(-20, "cm[H2O]"), component=parts))
    )
    assert isinstance(reading, Reading)
    assert reading.suction is not None
    assert getattr(reading.suction, name) == -20
    assert (reading.suction.mode, reading.suction.indicator) == ("suction", "not-assessed")


def test_an_air_leak_in_its_parts() -> None:
    parts = [
        part("leak-provoked-by", valueCodeableConcept=concept("provoked-cough")),
        part("pinch-test-site", valueString="tube at the skin"),
        part("pinch-test-result", valueCodeableConcept=concept("pinch-stops")),
    ]
    graded = observation(
        "air-leak-grade",
        valueQuantity=quantity(2, "{score}"),
        method=concept("leak-grade-0-5"),
        component=parts,
    )
    reading = judged(record_of(graded))
    assert isinstance(reading, Reading)
    leak = reading.air_leak
    assert leak is not None
    assert leak.test is not None
    assert (leak.grade, leak.provoked, leak.test.pinched, leak.test.bubbling) == (
        2,
        "cough",
        "tube at the skin",
        "stops",
    )
    flow = judged(record_of(observation("air-leak-flow", valueQuantity=quantity(120, "mL/min"))))
    assert isinstance(flow, Reading)
    assert flow.air_leak is not None
    assert flow.air_leak.flow == 120
    pattern = observation("bubbling-pattern", valueCodeableConcept=concept("bubbling-continuous"))
    bubbling = judged(record_of(pattern))
    assert isinstance(bubbling, Reading)
    assert bubbling.air_leak is not None
    assert bubbling.air_leak.pattern == "continuous"


@pytest.mark.parametrize(
    ("code", "kind"),
    [("sample-withdrawn", "sampled"), ("irrigant-instilled", "irrigated"), ("volume-reinfused", "reinfused")],
)
def test_events_of_a_volume(code: str, kind: str) -> None:
    event = judged(record_of(observation(code, valueQuantity=quantity(10))))
    assert isinstance(event, Event)
    assert (event.kind, event.volume, event.drain) == (kind, Decimal(10), "drn-7")


def test_a_reinfused_volume_may_be_unknown() -> None:
    event = judged(record_of(observation("volume-reinfused", **absent("unknown"))))
    assert isinstance(event, Event)
    assert event.volume is None
    assert faults(observation("sample-withdrawn", **absent("unknown"))) == [
        ("not-supported", "Observation.dataAbsentReason")
    ]


@pytest.mark.parametrize(
    ("value", "mode", "expected"),
    [(-20, "suction", ("suction", -20)), (0, "gravity", ("gravity", None)), (-15, None, ("suction", -15))],
)
def test_prescribed_suction(value: int, mode: str | None, expected: tuple[str, int | None]) -> None:
    parts = [] if mode is None else [part("suction-mode", valueCodeableConcept=concept(f"mode-{mode}"))]
    sent = observation(
        "suction-prescribed", valueQuantity=quantity(value, "cm[H2O]"), component=parts or None
    )
    event = judged(record_of(sent))
    assert isinstance(event, Event)
    assert (event.mode, event.pressure) == expected


def test_an_unverified_value_of_a_device_is_preliminary() -> None:
    reading = judged(record_of(level(40, status="preliminary", performer=None)))
    assert isinstance(reading, Reading)
    assert reading.observer is not None
    assert reading.observer.kind == "device"
    assert faults(level(40, status="preliminary")) == [("business-rule", "Observation.status")]


def test_who_read_by_reference_alone() -> None:
    record = record_of(level(40, performer=[{"reference": "Practitioner/p7"}]))
    assert record["observer"] == {"kind": "practitioner", "value": "Practitioner/p7"}


def test_ids() -> None:
    """The identifier is the record's id; without one a new one is made, and said."""
    assert record_of(level(identifier=[{"value": "x"}]))["id"] == "x"
    assert len(record_of(level(ident="y" * 500))["id"]) <= 128
    assert record_of(level(ident="y" * 500))["id"] != record_of(level(ident="y" * 501))["id"]
    made = read_one(level(ident=None))
    assert made.record is not None
    assert (made.record["id"], made.identified) == ("new-1", False)
    assert [each.severity for each in made.faults] == ["information"]
    own = [{"system": f"{samples.BASE}/sid/observation", "value": "ward.r-1.chamber-level"}]
    assert faults(level(identifier=own)) == [("business-rule", "Observation.identifier[0]")]


# Which drain, which unit, whose


def test_drains_by_each_way_to_name_them() -> None:
    known = Known(
        devices={"dev-1": Named("drain", "drn-7"), "dev-2.level.A": Named("collector", "col-3", "A")}
    )
    patient = RENDERER.ids.patient(samples.DRAIN.patient)
    unit = {"identifier": {"system": f"{samples.BASE}/sid/device-metric", "value": "collector.col-3.level.A"}}
    for more in (
        {"focus": [{"reference": "Device/dev-1"}]},
        {"focus": [{"reference": f"{ROOT}/Device/dev-1/_history/3"}]},
        {"focus": [{"reference": f"Device?identifier={samples.BASE}/sid/device%7Cdrain.drn-7"}]},
        {"focus": None, "device": {"reference": "DeviceMetric/dev-2.level.A"}},
        {"focus": None, "device": unit},
        {"subject": {"reference": f"Patient/{patient}"}},
        {"subject": {"reference": f"Patient?identifier={MRN}%7CP-1042"}},
    ):
        record = record_of(level(40, **more), known)
        assert record["drain"] == "drn-7", more
        assert record.get("collector") == ("col-3" if "device" in more else None)


def test_a_drain_whose_id_has_dots_and_more() -> None:
    """The id stands percent-encoded in the identifier, as it is served (fhir/ids.py)."""
    drain = {"identifier": {"system": f"{samples.BASE}/sid/device", "value": "drain.a%2Eb%7Cc"}}
    known = Known(drains={"a.b|c": samples.DRAIN})
    assert record_of(level(40, focus=[drain]), known)["drain"] == "a.b|c"


def test_whose_a_drain_is_must_be_known() -> None:
    assert faults(level(40), known=Known(drains={})) == [("not-found", "Observation.subject")]


def test_two_drains_on_a_unit_have_to_be_told_apart() -> None:
    known = Known(on={"col-3": {"A": ["drn-7"], "B": ["drn-8"]}})
    unit = {"identifier": {"system": f"{samples.BASE}/sid/device", "value": "collector.col-3"}}
    suction = observation("suction-set", valueQuantity=quantity(-20, "cm[H2O]"), focus=[unit])
    assert faults(suction, known=known) == [("required", "Observation.focus")]
    assert record_of(suction | {"focus": [DRAIN, unit]}, known)["collector"] == "col-3"


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        ({"focus": None}, ("required", "Observation.focus")),
        (
            {"focus": [DRAIN, logical("device", "drain.drn-8")]},
            ("conflict", "Observation.focus[1]"),
        ),
        ({"subject": None}, ("required", "Observation.subject")),
        (
            {"subject": {"identifier": {"system": MRN, "value": "P-9"}}},
            ("business-rule", "Observation.subject"),
        ),
        ({"subject": {"identifier": {"value": "P-1042"}}}, ("business-rule", "Observation.subject")),
        ({"subject": {"reference": "Patient/someone-else"}}, ("business-rule", "Observation.subject")),
        (
            {"subject": {"reference": "urn:uuid:6f1c9a3e-3d5f-4b8e"}},
            ("business-rule", "Observation.subject"),
        ),
        ({"bodySite": concept("site-right-pleural")}, ("business-rule", "Observation.bodySite")),
        (
            {"device": logical("device-metric", "collector.col-3.level.B")},
            ("conflict", "Observation.device"),
        ),
    ],
)
def test_the_wrong_drain_or_patient(more: dict[str, Any], fault: tuple[str, str]) -> None:
    known = Known(on={"col-3": {"A": ["drn-7"], "B": ["drn-8"]}})
    assert faults(level(40, **more), known=known) == [fault]


def test_both_parts_of_a_subject_have_to_fit() -> None:
    patient = f"Patient/{RENDERER.ids.patient(samples.DRAIN.patient)}"
    other = {"reference": patient, "identifier": {"system": MRN, "value": "P-9"}}
    assert faults(level(40, subject=other)) == [("business-rule", "Observation.subject")]


def test_the_local_code_system_is_the_sites_own() -> None:
    foreign = concept("chamber-level", "https://elsewhere.example/codes")
    assert faults(level(40) | {"code": foreign}) == [("not-supported", "Observation.code")]
    assert LOCAL.startswith(samples.BASE)
