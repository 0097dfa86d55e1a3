"""A panel and its members are one reading; what they say must agree."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from drainledger.domain.records import Reading
from drainledger.fhir.reading import Posted, Understood
from tests.reading.desk import ROOT, judged, read_all
from tests.reading.posted import DRAIN, amount, concept, level, observation, quantity


def urn(place: int) -> str:
    return f"urn:uuid:6f1c9a3e-3d5f-4b8e-9a57-0c6a5b1f{place:04}"


def together(panel: dict[str, Any], *members: dict[str, Any]) -> list[Understood]:
    panel = panel | {"hasMember": [{"reference": urn(place)} for place in range(1, len(members) + 1)]}
    posted = [Posted(one, f"Bundle.entry[{n}].resource", urn(n)) for n, one in enumerate((panel, *members))]
    return read_all(*posted)


def errors(*read: Understood) -> list[tuple[str, str]]:
    return [(each.code, each.expression) for one in read for each in one.faults if each.severity == "error"]


PANEL = observation("drain-panel", ident="p-1", note=[{"text": "of the whole"}])
TIDALING = observation("tidaling", ident=None, valueCodeableConcept=concept("tidaling-present"))


def test_one_reading_of_all_members() -> None:
    suction = observation("suction-set", ident=None, valueQuantity=quantity(-20, "cm[H2O]"), performer=None)
    applied = observation("suction-applied", ident=None, valueQuantity=quantity(-18, "cm[H2O]"), focus=None)
    (one,) = together(PANEL, level(40, ident=None), TIDALING, suction, applied)
    assert one.of == (0, 1, 2, 3, 4)
    assert one.codes == ("drain-panel", "chamber-level", "tidaling", "suction-set", "suction-applied")
    assert one.record is not None, one.faults
    reading = judged(one.record)
    assert isinstance(reading, Reading)
    assert (reading.level, reading.tidaling, reading.note) == (Decimal(40), "present", "of the whole")
    assert reading.suction is not None
    assert (reading.suction.set, reading.suction.applied) == (Decimal(-20), Decimal(-18))


def test_a_level_and_an_amount_check_each_other() -> None:
    (one,) = together(PANEL, level(40, ident=None), amount(40, "06:00", "07:00", None))
    assert one.record is not None
    reading = judged(one.record)
    assert isinstance(reading, Reading)
    assert (reading.level, reading.volume) == (Decimal(40), Decimal(40))


@pytest.mark.parametrize(
    ("members", "fault"),
    [
        ([level(40, "08:00", None)], ("conflict", "Bundle.entry[1].resource.effective")),
        ([level(40, ident=None), level(50, ident=None)], ("conflict", "Bundle.entry[2].resource")),
        (
            [level(40, ident=None, performer=[{"identifier": {"value": "N-1"}}])],
            ("conflict", "Bundle.entry[1].resource.performer"),
        ),
        (
            [observation("sample-withdrawn", ident=None, valueQuantity=quantity(10))],
            ("business-rule", "Bundle.entry[1].resource.code"),
        ),
        (
            [level(40, ident=None, subject={"identifier": {"value": "P-9"}})],
            ("business-rule", "Bundle.entry[1].resource.subject"),
        ),
        (
            [level(40, ident=None, focus=[{"identifier": {**DRAIN["identifier"], "value": "drain.drn-8"}}])],
            ("conflict", "Bundle.entry[1].resource.focus"),
        ),
        ([observation("drain-panel", ident=None)], ("duplicate", "Bundle.entry[0].resource.hasMember[0]")),
    ],
)
def test_members_that_do_not_fit(members: list[dict[str, Any]], fault: tuple[str, str]) -> None:
    read = together(PANEL, *members)
    assert fault in errors(*read)
    assert read[0].record is None


def test_a_panel_alone_or_of_what_is_elsewhere() -> None:
    (alone,) = read_all(Posted(PANEL))
    assert errors(alone) == [("required", "Observation.hasMember")]
    (elsewhere,) = read_all(Posted(PANEL | {"hasMember": [{"reference": "Observation/123"}]}))
    assert errors(elsewhere) == [("not-found", "Observation.hasMember[0]")]


def test_members_by_each_kind_of_full_url() -> None:
    for full_url, reference in (
        (urn(1), urn(1)),
        (f"{ROOT}/Observation/x", "Observation/x"),
        (f"{ROOT}/Observation/x", f"{ROOT}/Observation/x"),
        ("https://chart.example/fhir/Observation/x", "Observation/x"),
    ):
        panel = Posted(PANEL | {"hasMember": [{"reference": reference}]})
        (one,) = read_all(panel, Posted(TIDALING, full_url=full_url))
        assert one.record is not None, (full_url, one.faults)


def test_a_member_belongs_to_one_panel() -> None:
    panel = PANEL | {"hasMember": [{"reference": urn(1)}]}
    read = read_all(Posted(panel), Posted(panel), Posted(TIDALING, full_url=urn(1)))
    assert errors(*read)[0] == ("duplicate", "Observation.hasMember[0]")


def test_a_members_own_identifier_is_told_as_not_kept() -> None:
    (one,) = together(PANEL, level(40, ident="m-1"))
    told = [(each.severity, each.expression) for each in one.faults]
    assert told == [("warning", "Bundle.entry[1].resource.identifier[0].value")]


def test_the_drains_number_must_be_its_own() -> None:
    number = [{"code": concept("81664-5", "http://loinc.org"), "valueString": "1"}]
    (one,) = together(PANEL | {"component": number}, TIDALING)
    assert one.record is not None
    (other,) = together(PANEL | {"component": [number[0] | {"valueString": "2"}]}, TIDALING)
    assert errors(other) == [("business-rule", "Bundle.entry[0].resource.component[0]")]
