"""What a resource says that it rests on: whole journals through `convert`, and who is named by what."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.converted import converted, parsed
from tests.journals.books import FIXTURES, line
from tests.journals.raw import (
    Raw,
    collector,
    connected,
    drain,
    event,
    level,
    reading,
    replaced,
    volume,
    water,
)

NURSE = {"kind": "practitioner", "value": "N-88"}
DEVICE = {"kind": "device", "value": "unit-12"}
START = (drain(), collector(), connected("06:00"))


class Made:
    """The resources of a journal, by what people read: an identifier's value without its source."""

    def __init__(self, *raws: Raw, lines: Sequence[bytes] = ()) -> None:
        self.all = parsed(converted([*lines, *map(line, raws)]))
        self._names = {f"{each['resourceType']}/{each['id']}": self._name(each) for each in self.all}
        self._by_name = {name: each for each in self.all if (name := self._name(each))}

    @staticmethod
    def _name(resource: dict[str, Any]) -> str:
        values = [each["value"] for each in resource.get("identifier", [])]
        return values[0].removeprefix("ward.") if values else ""

    def __getitem__(self, name: str) -> dict[str, Any]:
        return self._by_name[name]

    def named(self, references: list[dict[str, Any]]) -> list[str]:
        return [self._names[each["reference"]] for each in references]

    def issue(self, name: str) -> tuple[list[str], list[str]]:
        """(implicated, evidence)"""
        found = self[name]
        evidence = [each for one in found.get("evidence", []) for each in one["detail"]]
        return self.named(found["implicated"]), self.named(evidence)

    def provenance_of(self, name: str) -> dict[str, Any]:
        wanted = next(ref for ref, found in self._names.items() if found == name)
        return next(
            each
            for each in self.all
            if each["resourceType"] == "Provenance" and wanted in {to["reference"] for to in each["target"]}
        )


def sources(provenance: dict[str, Any]) -> list[str]:
    return [each["what"]["identifier"]["value"] for each in provenance["entity"]]


def code_of(concept: dict[str, Any]) -> str:
    return str(concept["coding"][0]["code"])


# How an interval was come by


def test_a_change_that_nobody_read_a_level_for_charts_no_amount() -> None:
    """Connected with no level and changed with no level: the interval between is nobody's, and no method made it."""
    made = Made(
        drain(),
        collector(),
        collector("col-2"),
        connected("06:00", None, observer=NURSE),
        replaced("07:00", "col-2", observer=NURSE),
    )
    output = made["replaced-0700.interval-output"]
    assert code_of(output["dataAbsentReason"]) == "unknown"
    assert "method" not in output
    assert "performer" not in output
    assert output["status"] == "final"


def test_a_sample_before_any_level_is_volumes_drawn() -> None:
    made = Made(
        drain(),
        collector(),
        collector("col-2"),
        connected("06:00", None),
        event("sampled", "06:30", volume=10),
        replaced("07:00", "col-2"),
    )
    output = made["replaced-0700.interval-output"]
    assert (output["valueQuantity"]["value"], output["valueQuantity"]["comparator"]) == (10, ">=")
    assert code_of(output["method"]) == "drawn-volumes"


def test_a_charted_amount_is_its_authors() -> None:
    made = Made(drain(reads="volume"), volume("07:00", 35, observer=NURSE))
    output = made["r-0700.interval-output"]
    assert code_of(output["method"]) == "charted-amount"
    assert output["performer"][0]["identifier"]["value"] == "N-88"


def test_a_level_after_a_fall_has_no_difference() -> None:
    made = Made(*START, level("07:00", 300), level("12:00", 100))
    assert code_of(made["r-0700.interval-output"]["method"]) == "level-difference"
    assert "method" not in made["r-1200.interval-output"]


# Findings


def test_a_fall_rests_on_both_levels_and_no_more() -> None:
    made = Made(*START, level("07:00", 300), level("12:00", 100, suction={"indicator": "not-reached"}))
    assert made.issue("r-1200.unexplained-fall") == (
        ["r-1200.chamber-level", "r-1200.interval-output", "collector.col-1"],
        ["r-0700.chamber-level"],
    )
    assert made.issue("r-1200.suction-not-reached") == (["r-1200.suction-set", "collector.col-1"], [])


def test_a_finding_is_told_in_its_sentence() -> None:
    made = Made(*START, level("07:00", 300), level("12:00", 100))
    assert made["r-1200.unexplained-fall"]["detail"] == (
        "100 mL at 12:00 is below 300 mL at 07:00, so output since 07:00 is not known. If the unit was changed, "
        "emptied or tipped, chart that; otherwise leave the reading as you saw it."
    )


def test_a_level_that_is_not_used_says_why_in_a_sentence() -> None:
    """Its note is what a nurse reads beside the value; a code is for programs."""
    made = Made(*START, level("07:00", 300), level("08:00", 30), level("09:00", 320), level("10:00", 9000))
    [note] = made["r-0800.chamber-level"]["note"]
    assert note["text"].startswith("30 mL at 08:00 does not fit the levels before and after it")
    assert note["text"] == made["r-0800.suspected-misread"]["detail"]
    [note] = made["r-1000.chamber-level"]["note"]
    assert note["text"].startswith("9000 mL at 10:00 is more than the chamber holds (2000 mL)")


def test_a_misreading_rests_on_the_levels_around_it() -> None:
    made = Made(*START, level("07:00", 300), level("08:00", 30), level("09:00", 320))
    assert made.issue("r-0800.suspected-misread") == (
        ["r-0800.chamber-level", "collector.col-1"],
        ["r-0700.chamber-level", "r-0900.chamber-level"],
    )


def test_readings_that_disagree_name_each_other() -> None:
    made = Made(*START, level("07:00", 100, id="a"), level("07:00", 140, id="b"))
    assert made.issue("b.readings-disagree") == (
        ["b.chamber-level", "collector.col-1"],
        ["a.chamber-level"],
    )


def test_a_reading_beside_an_emptying_names_its_level() -> None:
    made = Made(*START, event("emptied", "07:00", level_before=200), level("07:00", 0))
    assert made.issue("r-0700.readings-disagree")[1] == ["emptied-0700.before.chamber-level"]


def test_what_is_charted_twice_names_both() -> None:
    made = Made(drain(reads="volume"), volume("07:00", 35), volume("07:10", 35))
    assert made.issue("r-0710.charted-twice") == (
        ["r-0710.interval-output", "drain.drn-1"],
        ["r-0700.interval-output"],
    )
    made = Made(
        *START,
        event("irrigated", "07:00", volume=50),
        event("irrigated", "07:05", volume=50),
        level("08:00", 90),
    )
    assert made.issue("irrigated-0705.charted-twice") == (
        ["irrigated-0705.irrigant-instilled", "drain.drn-1"],
        ["irrigated-0700.irrigant-instilled"],
    )


def test_suction_that_differs_names_the_prescription() -> None:
    prescribed = event("suction-prescribed", "06:10", mode="suction", pressure=water(-20))
    made = Made(*START, prescribed, reading("07:00", suction={"mode": "suction", "set": water(-10)}))
    assert made.issue("r-0700.suction-differs-from-prescribed") == (
        ["r-0700.suction-set", "collector.col-1"],
        ["suction-prescribed-0610.suction-prescribed"],
    )


def test_a_pressure_that_is_held_names_the_lowered_setting() -> None:
    made = Made(
        *START,
        reading("07:00", suction={"mode": "suction", "set": water(-20)}),
        reading("08:00", suction={"mode": "suction", "set": water(-10)}),
        reading("09:00", pressure=water(-19)),
    )
    assert made.issue("r-0900.pressure-held-after-decrease") == (
        ["r-0900.drain-pressure", "collector.col-1"],
        ["r-0800.suction-set"],
    )


def test_a_finding_about_a_unit_that_was_named_names_that_unit() -> None:
    """Two drains cannot feed one chamber: the question is about the unit that the entry names."""
    made = Made(
        *START,
        drain("drn-2"),
        event("connected", "07:00", id="other", drain="drn-2", collector="col-1", chamber="A"),
    )
    assert made.issue("other.chamber-occupied") == (["collector.col-1"], [])


def test_a_finding_about_the_tube_names_the_tube() -> None:
    made = Made(
        *START, event("clamped", "06:30"), event("milked", "06:40"), level("07:00", 0), level("08:00", 90)
    )
    assert made.issue("milked-0640.milked-while-clamped") == (["drain.drn-1"], [])
    assert made.issue("r-0800.output-while-clamped") == (["r-0800.interval-output", "drain.drn-1"], [])


# Values that rest on other records


@pytest.mark.parametrize(
    ("weighed", "named"),
    [
        ((), "drain.drn-1"),
        ((event("weighed", "06:30", weight={"value": 70, "unit": "kg"}),), "ward.weighed-0630"),
    ],
)
def test_a_rate_per_weight_names_who_gave_the_weight(weighed: tuple[Raw, ...], named: str) -> None:
    made = Made(
        drain(weight={"value": 72, "unit": "kg"}),
        collector(),
        connected("06:00"),
        *weighed,
        level("07:00", 70),
    )
    rate = made["r-0700.output-rate-per-weight"]
    assert rate["valueQuantity"]["value"] == Decimal("1.00" if weighed else "0.97")
    assert sources(made.provenance_of("r-0700.output-rate-per-weight")) == ["ward.r-0700", named]


def test_without_a_weight_no_record_is_named_for_it() -> None:
    made = Made(*START, level("07:00", 70))
    assert sources(made.provenance_of("r-0700.output-rate")) == ["ward.r-0700"]


def test_the_time_since_a_leak_rests_on_the_leak_and_on_the_look_that_found_none() -> None:
    def seen(clock: str, grade: int, pattern: str) -> Raw:
        return reading(clock, air_leak={"grade": grade, "pattern": pattern})

    made = Made(
        *START,
        seen("07:00", 3, "continuous"),
        seen("08:00", 1, "intermittent"),
        seen("09:00", 0, "none"),
        seen("11:00", 0, "none"),
    )
    leak = ["r-0800.bubbling-pattern", "r-0800.air-leak-grade"]
    for clock, hours in (("0900", 1), ("1100", 3)):
        since = made[f"r-{clock}.time-since-air-leak"]
        assert since["valueQuantity"]["value"] == hours
        own = [f"r-{clock}.bubbling-pattern", f"r-{clock}.air-leak-grade"]
        assert made.named(since["derivedFrom"]) == leak + own


def test_only_what_showed_the_leak_is_named() -> None:
    made = Made(
        *START,
        reading("07:00", air_leak={"grade": 0, "pattern": "intermittent"}),
        reading("08:00", air_leak={"pattern": "none"}),
    )
    derived = made.named(made["r-0800.time-since-air-leak"]["derivedFrom"])
    assert derived == ["r-0700.bubbling-pattern", "r-0800.bubbling-pattern"]


def test_an_output_rests_on_what_was_drawn_meanwhile() -> None:
    """DESIGN 4 Interval: d = L1 - L0 + S + R."""
    made = Made(*START, level("07:00", 100), event("sampled", "07:30", volume=10), level("08:00", 120))
    output = made["r-0800.interval-output"]
    assert output["valueQuantity"]["value"] == 30
    assert made.named(output["derivedFrom"]) == [
        "r-0700.chamber-level",
        "r-0800.chamber-level",
        "sampled-0730.sample-withdrawn",
    ]


def test_a_net_rests_on_the_irrigant_that_it_leaves_out() -> None:
    made = Made(*START, level("07:30", 100), event("irrigated", "07:45", volume=50), level("08:00", 160))
    total, net = (
        made[f"window.drn-1.shift-day.2026-03-02.{code}"] for code in ("charted-total", "charted-net")
    )
    assert (total["valueQuantity"]["value"], net["valueQuantity"]["value"]) == (60, 10)
    assert made.named(net["derivedFrom"]) == [
        *made.named(total["derivedFrom"]),
        "irrigated-0745.irrigant-instilled",
    ]


# Windows


def windows(made: Made) -> list[dict[str, Any]]:
    return [each for each in made.all if "charted-" in each["id"]]


def test_a_final_window_is_issued_at_its_end_at_the_earliest() -> None:
    """R4 observation.html: `issued` is when this version was made available; one that is final can't be so ahead."""
    made = Made(
        *START, level("07:00", 40), level("18:00", 90), level("2+07:00", 100), event("removed", "2+08:00")
    )
    final = [each for each in windows(made) if each["status"] == "final"]
    assert {each["effectivePeriod"]["end"][:16] for each in final} >= {"2026-03-02T19:00", "2026-03-05T00:00"}
    for each in final:
        assert each["issued"] >= each["effectivePeriod"]["end"]


def test_an_open_window_may_be_issued_before_its_end() -> None:
    made = Made(*START, level("08:00", 40))
    for each in windows(made):
        assert each["status"] == "preliminary"
        assert each["issued"] == "2026-03-02T08:00:00+00:00"


def test_a_windows_provenance_never_occurs_after_it_was_recorded() -> None:
    made = Made(*START, level("07:00", 40), level("18:00", 90), level("2+07:00", 100), level("2+08:00", 120))
    found = [each for each in made.all if each["resourceType"] == "Provenance"]
    assert any("charted-total" in each["target"][0]["reference"] for each in found)
    for each in found:
        assert each.get("occurredDateTime", "") <= each["recorded"]


def test_a_window_over_values_that_nobody_verified_is_preliminary() -> None:
    """FHIR.md 'Status': preliminary is whatever is computed from a device's value that nobody has verified."""
    made = Made(*START, level("07:10", 40, observer=DEVICE), level("18:00", 90), level("2+07:00", 100))
    statuses = {each["effectivePeriod"]["start"][:16]: each["status"] for each in windows(made)}
    assert statuses["2026-03-02T07:00"] == "preliminary"


# The demo


def references(element: object) -> Iterator[str]:
    if isinstance(element, dict):
        if isinstance(element.get("reference"), str):
            yield element["reference"]
        element = list(element.values())
    if isinstance(element, list):
        for each in element:
            yield from references(each)


@pytest.mark.parametrize("file", sorted(FIXTURES.glob("**/*.ndjson")), ids=lambda file: str(file.stem))
def test_the_demo_names_nothing_that_is_not_there_and_nothing_ahead_of_its_time(file: Path) -> None:
    made = Made(lines=file.read_bytes().splitlines())
    known = {f"{each['resourceType']}/{each['id']}" for each in made.all}
    for each in made.all:
        assert set(references(each)) <= known, each["id"]
        if each["resourceType"] == "Observation" and each["status"] != "preliminary":
            seen = each.get("effectiveDateTime") or each["effectivePeriod"]["end"]
            assert datetime.fromisoformat(each["issued"]) >= datetime.fromisoformat(seen), each["id"]
        if "occurredDateTime" in each:
            happened, told = each["occurredDateTime"], each["recorded"]
            assert datetime.fromisoformat(happened) <= datetime.fromisoformat(told), each["id"]
