"""Rules of attention.toml: charting rules on, clinical ones off until a site switches them on (DESIGN 4 'Rules')."""

from __future__ import annotations

from decimal import Decimal

import pytest
from msgspec.structs import replace

from drainledger.domain.collectors import Rules
from drainledger.domain.entries import DrainLedger
from tests.journals.books import book_of, findings, intervals, ledger_of, mappings, records_of
from tests.journals.raw import Raw, collector, connected, drain, event, level, reading

RULES = mappings().rules
START = (drain(reads_every="PT1H"), collector("col-1"), connected("06:00"))
CHECK = "Check the patient; follow local policy."
LOOK = "Look at the unit and chart what you see."


def with_rule(code: str, **values: int) -> Rules:
    """The shipped rules with one more switched on, with a site's values."""
    rule = RULES.attention[code]
    own = {name: Decimal(value) for name, value in values.items()}
    switched = replace(rule, on=True, values={**rule.values, **own})
    return replace(RULES, version="local", attention={**RULES.attention, code: switched})


def folded(rules: Rules, *raws: Raw) -> DrainLedger:
    return ledger_of(book_of([*START, *raws], rules), "drn-1")


def raised_at(ledger: DrainLedger, code: str) -> list[str]:
    return [node.key.id for node in ledger.nodes if any(f.code == code for f in node.findings)]


def hourly(*levels: int) -> list[Raw]:
    return [level(f"{7 + hour:02}:00", value) for hour, value in enumerate(levels)]


def test_no_clinical_rule_is_on_as_shipped() -> None:
    assert {code for code, rule in RULES.attention.items() if rule.clinical and rule.on} == set()
    assert all(rule.text == CHECK for rule in RULES.attention.values() if rule.clinical)
    assert all(rule.text == LOOK for rule in RULES.attention.values() if not rule.clinical)


def test_hourly_output_needs_each_hour_above_the_limit() -> None:
    rules = with_rule("hourly-output", ml_per_hour=200, hours=2)
    assert raised_at(folded(rules, *hourly(100, 310, 520, 730)), "hourly-output") == ["r-0900", "r-1000"]
    assert raised_at(folded(rules, *hourly(100, 500, 600, 1000)), "hourly-output") == []


def test_one_averaged_interval_tells_nothing_of_its_hours() -> None:
    rules = with_rule("hourly-output", ml_per_hour=200, hours=2)
    assert raised_at(folded(rules, level("07:00", 0), level("09:00", 600)), "hourly-output") == []


def test_a_clinical_rule_uses_the_larger_answer_of_a_suspected_misreading() -> None:
    rules = with_rule("output-at-once", ml=250, minutes=120)
    raws = hourly(100, 400, 110)
    assert raised_at(folded(rules, *raws), "output-at-once") == ["r-0900"]
    assert intervals(folded(rules, *raws))[-1].larger == Decimal(300)


def test_a_clinical_finding_says_to_check_the_patient_and_only_it_does() -> None:
    rules = with_rule("daily-output", ml=500)
    ledger = folded(rules, *hourly(300, 600), level("12:00", 1900))
    by_code = {f.code: f.text for node in ledger.nodes for f in node.findings}
    assert by_code["daily-output"].endswith(CHECK)
    assert not any(CHECK in text for code, text in by_code.items() if code != "daily-output")


def test_output_per_weight_needs_a_local_value_and_a_weight() -> None:
    rules = with_rule("hourly-output-per-weight", ml_per_kg_per_hour=3, hours=1)
    weight = event("weighed", "06:10", weight={"value": Decimal(50), "unit": "kg"})
    code = "hourly-output-per-weight"
    assert raised_at(folded(rules, weight, *hourly(100, 260)), code) == ["r-0800"]
    assert raised_at(folded(rules, *hourly(100, 260)), code) == []


def test_an_output_that_stops_abruptly_is_told_once() -> None:
    rules = with_rule("output-stopped-abruptly", ml_per_hour=50, hours=2)
    assert raised_at(folded(rules, *hourly(100, 100, 100, 100, 100)), "output-stopped-abruptly") == ["r-0900"]
    assert raised_at(folded(rules, *hourly(20, 20, 20, 20)), "output-stopped-abruptly") == []


def test_a_rule_speaks_of_its_kinds_of_drain_alone() -> None:
    rules = with_rule("daily-output", ml=500)
    raws = [drain(kind="mediastinal"), collector("col-1"), connected("06:00"), level("07:00", 900)]
    assert "daily-output" not in findings(ledger_of(book_of(raws, rules), "drn-1"))


def test_a_late_record_takes_a_clinical_finding_back() -> None:
    rules = with_rule("daily-output", ml=500)
    raws = [*START, level("07:00", 300), level("08:00", 600), level("23:00", 600)]
    book = book_of(raws, rules)
    assert raised_at(ledger_of(book, "drn-1"), "daily-output") == ["r-0800", "r-2300"]
    tip = event("tipped", "07:30", level_before=320, level_after=590)
    late = book_of([*raws, tip], rules)
    assert raised_at(ledger_of(late, "drn-1"), "daily-output") == []
    for record in records_of([tip]):
        book.add(record)
    book.refold()
    assert ledger_of(book, "drn-1") == ledger_of(late, "drn-1")


@pytest.mark.parametrize(("gap", "told"), [("08:15", []), ("08:16", ["r-0816"])])
def test_a_reading_is_overdue_by_the_drains_own_interval(gap: str, told: list[str]) -> None:
    assert raised_at(folded(RULES, level("07:00", 10), level(gap, 20)), "reading-overdue") == told


def test_a_joined_tube_is_not_overdue() -> None:
    raws = [
        drain("y", joins=["drn-1", "drn-2"]),
        collector("col-2"),
        level("07:00", 10),
        connected("07:00", 0, "col-2", id="join", drain="y"),
        event("disconnected", "12:00", id="part", drain="y"),
        level("12:30", 20),
    ]
    assert raised_at(folded(RULES, *raws), "reading-overdue") == []


def test_a_drain_that_feeds_no_unit_is_not_overdue() -> None:
    """Off from 07:30 on; somebody looks at the tube at 10:00, three hours after the last reading."""
    read, off, look = level("07:00", 10), event("disconnected", "07:30"), reading("10:00", patency="patent")
    assert raised_at(folded(RULES, read, off, look), "reading-overdue") == []
    assert raised_at(folded(RULES, read, look), "reading-overdue") == ["r-1000"]


def test_a_clamp_is_told_once_when_it_has_held_for_long() -> None:
    raws = [event("clamped", "07:00"), *hourly(10, 10, 10, 10)]
    assert raised_at(folded(RULES, *raws), "still-clamped") == ["r-0900"]


def test_a_nearly_full_chamber_is_told_when_it_becomes_so() -> None:
    assert raised_at(folded(RULES, *hourly(1700, 1810, 1850)), "chamber-nearly-full") == ["r-0800"]


def test_an_air_leak_that_lasts_is_told_once() -> None:
    rules = with_rule("air-leak-prolonged", days=1)
    raws = [reading(at, air_leak={"pattern": "continuous"}) for at in ("07:00", "1+08:00", "1+09:00")]
    assert raised_at(folded(rules, *raws), "air-leak-prolonged") == ["r-1-0800"]


def test_a_change_of_looks_is_told() -> None:
    rules = with_rule("appearance-changed")
    raws = [reading("07:00", appearance=["serous"]), reading("08:00", appearance=["sanguineous"])]
    assert raised_at(folded(rules, *raws), "appearance-changed") == ["r-0800"]
    assert raised_at(folded(RULES, *raws), "appearance-changed") == []
