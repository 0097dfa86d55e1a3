"""Statuses without a history (DESIGN 5.3): final, preliminary, corrected, entered-in-error; a history may say other."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from drainledger.domain.records import ChamberLevels, Event, Key
from drainledger.fhir import Renderer, Resource
from tests.fhir import samples

OWN = {
    "chamber-level",
    "suction-prescribed",
    "bubbling-pattern",
    "air-leak-grade",
    "tidaling",
    "fluid-appearance",
}
COMPUTED = {
    "interval-output",
    "output-rate",
    "output-rate-per-weight",
    "running-total",
    "time-since-air-leak",
}


def renderer() -> Renderer:
    return Renderer(samples.mappings().codes)


def observations(resources: list[Resource]) -> dict[str, Any]:
    return {each.code: json.loads(each.body) for each in resources if each.type == "Observation"}


def statuses(resources: list[Resource]) -> dict[str, str]:
    return {code: each["status"] for code, each in observations(resources).items()}


def made(**changes: object) -> dict[str, str]:
    entry = samples.read(None, leak_free_hours=Decimal(2), **changes)
    return statuses(renderer().node(entry, samples.DRAIN, samples.unit()))


def test_charted_by_a_person_is_final() -> None:
    assert set(made().values()) == {"final"}


def test_a_corrected_readings_own_observations_are_corrected_and_computed_ones_final() -> None:
    found = made(corrected=True)
    assert {code for code, status in found.items() if status == "corrected"} == OWN | {"drain-panel"}
    assert {code for code, status in found.items() if status == "final"} == COMPUTED


def test_a_devices_values_are_preliminary_and_so_is_all_from_them() -> None:
    entry = samples.read(samples.reading(observer=samples.MONITOR), findings=(samples.finding(),))
    resources = renderer().node(entry, samples.DRAIN, samples.unit())
    stated = {json.loads(each.body).get("status") for each in resources if each.type != "Provenance"}
    assert stated == {"preliminary"}


def test_computed_from_a_devices_value_is_preliminary() -> None:
    found = made(interval=samples.interval(preliminary=True), total=samples.total(preliminary=True))
    preliminary = {code for code, status in found.items() if status == "preliminary"}
    assert preliminary == COMPUTED - {"time-since-air-leak"}


def test_a_charted_amount_is_what_the_record_says() -> None:
    entry = samples.read(
        samples.reading(level=None, volume=Decimal(40)),
        corrected=True,
        levels=(),
        interval=samples.interval(levels=(), deviation=None),
    )
    output = observations(renderer().node(entry, samples.DRAIN, samples.unit()))["interval-output"]
    assert output["status"] == "corrected"
    assert output["performer"] == [{"type": "Practitioner", "identifier": {"value": "N-88"}}]
    assert "derivedFrom" not in output


def test_a_history_says_amended_and_when() -> None:
    resources = renderer().node(
        samples.read(),
        samples.DRAIN,
        samples.unit(),
        statuses={"interval-output": "amended"},
        issued=samples.at(11),
    )
    found = observations(resources)
    assert found["interval-output"]["status"] == "amended"
    assert found["chamber-level"]["status"] == "final"
    assert {each["issued"] for each in found.values()} == {"2026-03-02T11:00:00+00:00"}


def test_withdrawn_by_a_history_loses_its_value() -> None:
    """FHIR.md 1.5: who forgets the status still adds up right."""
    resources = renderer().node(
        samples.read(),
        samples.DRAIN,
        samples.unit(),
        statuses={"interval-output": "entered-in-error", "suction-prescribed": "entered-in-error"},
    )
    found = observations(resources)
    for code in ("interval-output", "suction-prescribed"):
        assert not {"valueQuantity", "component"} & found[code].keys()
        assert found[code]["dataAbsentReason"]["coding"][0]["code"] == "error"
    assert found["interval-output"]["effectivePeriod"]["end"] == "2026-03-02T07:00:00+00:00"


def test_a_retracted_readings_own_observations_alone() -> None:
    resources = renderer().retracted(
        samples.reading(), samples.DRAIN, samples.CONNECTION, samples.unit(), stamp=samples.at(9)
    )
    found = observations(resources)
    assert found.keys() == OWN | {"drain-panel"}
    assert {each.type for each in resources} == {"Observation"}
    for each in found.values():
        assert each["status"] == "entered-in-error"
        assert not [name for name in each if name.startswith(("value", "component"))]
        assert each["issued"] == "2026-03-02T09:00:00+00:00"


def test_a_retracted_reading_has_the_ids_it_had() -> None:
    before = renderer().node(samples.read(), samples.DRAIN, samples.unit())
    after = renderer().retracted(
        samples.reading(), samples.DRAIN, samples.CONNECTION, samples.unit(), stamp=samples.at(9)
    )
    assert {each.id for each in after} < {each.id for each in before}


def test_a_retracted_amount_is_withdrawn() -> None:
    record = samples.reading(
        level=None, volume=Decimal(35), suction=None, air_leak=None, tidaling=None, appearance=()
    )
    found = observations(renderer().retracted(record, samples.DRAIN, stamp=samples.at(9)))
    assert found.keys() == {"interval-output", "drain-panel"}
    assert found["interval-output"]["status"] == "entered-in-error"


def test_a_retracted_level_that_nothing_ties_to_a_unit_claims_no_profile() -> None:
    found = observations(renderer().retracted(samples.reading(), samples.DRAIN, stamp=samples.at(9)))
    assert "device" not in found["chamber-level"]
    assert "profile" not in found["chamber-level"]["meta"]


def test_a_retracted_tip_of_a_unit_withdraws_the_drains_own_chamber() -> None:
    tip = Event(
        key=Key("event", "ward", "ev-9"),
        kind="tipped",
        at=samples.at(8),
        collector="col-3",
        levels=(ChamberLevels("A", level_before=Decimal(1)), ChamberLevels("B", level_before=Decimal(2))),
    )
    resources = renderer().retracted(
        tip, samples.DRAIN, samples.CONNECTION, samples.unit(), stamp=samples.at(9)
    )
    assert [each.id.partition(".")[2] for each in resources] == ["A.before.chamber-level"]


def test_a_window_is_preliminary_while_open() -> None:
    drawn = renderer().window(samples.window(status="preliminary"), samples.DRAIN)
    assert set(statuses(drawn).values()) == {"preliminary"}
    drawn = renderer().window(samples.window(), samples.DRAIN, status="amended")
    assert set(statuses(drawn).values()) == {"amended"}


def test_a_withdrawn_window_loses_its_values() -> None:
    drawn = renderer().window(samples.window(), samples.DRAIN, status="entered-in-error")
    for each in observations(drawn).values():
        assert not {"valueQuantity", "component"} & each.keys()
        assert each["dataAbsentReason"]["coding"][0]["code"] == "error"
