"""Counters, tolerance, capacity, deviations, clock changes (DESIGN 4)."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from drainledger.domain.book import load
from drainledger.domain.calendar import Calendar
from drainledger.domain.collectors import WindowSpec
from drainledger.domain.records import Key
from drainledger.domain.windows import patient_total
from tests.journals.books import (
    book_of,
    findings,
    intervals,
    ledger_of,
    mappings,
    outputs,
    records_of,
    total,
    totals,
)
from tests.journals.raw import collector, connected, drain, event, level, millilitres, reading, volume

RULES = mappings().rules
START = (drain(), collector("col-1"), collector("col-2"), connected("06:00"))


def test_a_sample_is_not_lost_where_the_level_stays_within_tolerance() -> None:
    raws = [
        *START,
        level("07:00", 100),
        event("sampled", "07:30", volume=10),
        level("08:00", 89),
        level("09:00", 95),
    ]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == ["100", "0", "5"]


def test_a_known_sample_is_a_lower_bound_where_the_interval_is_unknown() -> None:
    raws = [*START, level("07:00", 100), event("sampled", "07:30", volume=10), level("08:00", 20)]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert (outputs(ledger), total(ledger)) == (["100", ">=10"], ">=110")


def test_blood_given_back_with_no_amount_charted_is_not_guessed() -> None:
    raws = [*START, level("07:00", 100), event("reinfused", "07:30"), level("08:00", 120)]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert (outputs(ledger), findings(ledger)) == (["100", "?"], {"reinfusion-not-measured"})


def test_noise_below_a_full_chamber_does_not_make_it_exact_again() -> None:
    raws = [*START, level("07:00", 2000), level("08:00", 1990), level("09:00", 2000)]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == [">=2000", ">=0", ">=0"]


@pytest.mark.parametrize(("said", "code"), [(2101, "level-beyond-capacity"), (-1, "level-below-zero")])
def test_an_impossible_level_is_shown_but_not_used(said: int, code: str) -> None:
    raws = [*START, level("07:00", 100), level("08:00", said), level("09:00", 120)]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert outputs(ledger) == ["100", "20"]
    assert code in findings(ledger)
    assert [mark.value for node in ledger.nodes for mark in node.levels if not mark.used] == [Decimal(said)]


def test_two_readings_of_one_minute_the_lower_counts() -> None:
    raws = [*START, level("07:00", 140, id="z"), level("07:00", 100, id="y"), level("08:00", 160)]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert outputs(ledger) == ["100", "60"]
    assert "readings-disagree" in findings(ledger)


def test_a_deviation_is_that_of_the_two_levels_and_a_total_telescopes() -> None:
    raws = [*START, level("07:00", 600), level("08:00", 700), level("09:00", 800)]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert [str(i.deviation) for i in intervals(ledger)] == ["2.887", "4.082", "4.082"]
    assert [str(t.deviation) for t in totals(ledger)] == ["2.887", "2.887", "2.887"]


def test_chains_add_in_quadrature() -> None:
    change = event("replaced", "07:30", collector="col-2", final_level=700, start_level=0)
    ledger = ledger_of(book_of([*START, level("07:00", 600), change, level("08:00", 600)], RULES), "drn-1")
    assert str(totals(ledger)[-1].deviation) == "4.082"  # root of 2 x 100/12


def test_a_charted_amount_has_no_deviation() -> None:
    ledger = ledger_of(book_of([drain(reads="volume"), volume("07:00", 40)], RULES), "drn-1")
    assert (intervals(ledger)[0].deviation, totals(ledger)[0].deviation) == (None, None)


def counter(clock: str, value: int) -> dict[str, object]:
    return reading(clock, counter=millilitres(value))


def test_a_count_that_falls_was_reset() -> None:
    raws = [
        drain(),
        collector("pwr", "powered"),
        connected("06:00", 0, "pwr"),
        counter("07:00", 100),
        counter("08:00", 30),
        counter("09:00", 45),
    ]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    profile = RULES.profiles["powered"]
    assert profile.counter is not None
    assert profile.counter.reset_allowed
    assert (outputs(ledger), total(ledger)) == (["100", ">=30", "15"], ">=145")


def test_a_count_goes_on_when_the_container_is_changed() -> None:
    raws = [
        drain(),
        collector("pwr", "powered"),
        collector("can-2", "powered"),
        connected("06:00", 0, "pwr"),
        counter("07:00", 100),
        event("replaced", "07:30", collector="can-2"),
        counter("08:00", 130),
    ]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == ["100", "30"]


def test_an_hour_is_an_hour_when_the_clocks_change() -> None:
    """Lisbon, 2026-10-25: 01:30 comes twice; 2026-03-29: 01:00 to 02:00 is skipped (IANA time zone database)."""
    start = connected("06:00")
    twice = [start | {"at": "2026-10-25T00:30:00+01:00"}, _level("2026-10-25T01:30:00+01:00", 10, "a")]
    twice.append(_level("2026-10-25T01:30:00+00:00", 30, "b"))
    ledger = ledger_of(book_of([drain(), collector(), *twice], RULES), "drn-1")
    assert [str(i.rate) for i in intervals(ledger)] == ["10.0", "20.0"]


def _level(at: str, value: int, id: str) -> dict[str, object]:
    return {"record": "reading", "id": id, "drain": "drn-1", "at": at, "level": millilitres(value)}


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Lisbon", "2026-03-29", 23),
        ("Europe/Lisbon", "2026-10-25", 25),
        ("America/New_York", "2026-03-08", 23),
        ("America/New_York", "2026-11-01", 25),
    ],
)
def test_a_ward_day_is_as_long_as_the_day(zone: str, day: str, hours: int) -> None:
    """Source: IANA time zone database."""
    calendar = Calendar(ZoneInfo(zone), RULES.windows, RULES.grace)
    ward_day = next(spec for spec in RULES.windows if spec.name == "ward-day")
    slot = calendar.slot(ward_day, datetime.fromisoformat(day).date())
    assert (slot.end - slot.start).total_seconds() == hours * 3600


def test_windows_of_one_spec_adjoin_without_gap_or_overlap() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    for spec in RULES.windows:
        if spec.start != spec.end:
            continue
        calendar = Calendar(zone, (spec,), RULES.grace)
        for hour in range(24 * 4):
            at = datetime.fromtimestamp(1774573200 + hour * 3600, UTC)
            slot = calendar.holding(spec, at)
            assert slot is not None
            assert slot.start < at <= slot.end


def test_between_two_shifts_that_leave_a_gap_there_is_no_window() -> None:
    day = WindowSpec("day", datetime(2026, 1, 1, 7).time(), datetime(2026, 1, 1, 19).time())  # noqa: DTZ001 - wall times have no zone
    calendar = Calendar(ZoneInfo("Europe/Lisbon"), (day,), RULES.grace)
    evening = datetime(2026, 3, 2, 21, tzinfo=UTC)
    assert calendar.charged(datetime(2026, 3, 2, 20, tzinfo=UTC), evening) == []


def test_a_patients_total_is_exact_only_where_every_drain_has_an_anchor() -> None:
    raws = [
        *START,
        drain("drn-2"),
        connected("06:00", 0, "col-2", id="other", drain="drn-2"),
        level("07:00", 40),
        level("08:00", 60),
        level("07:00", 10, drain="drn-2", id="r2"),
    ]
    book = load(records_of(raws), RULES)
    ledgers = [ledger_of(book, name) for name in ("drn-1", "drn-2")]
    assert patient_total(ledgers, datetime(2026, 3, 2, 7, tzinfo=UTC)) == (Decimal(50), "exact")
    assert patient_total(ledgers, datetime(2026, 3, 2, 8, tzinfo=UTC)) == (Decimal(70), "at-least")


def test_an_unlikely_weight_makes_no_rate() -> None:
    raws = [
        *START,
        event("weighed", "06:30", weight={"value": Decimal(900), "unit": "kg"}),
        level("07:00", 70),
    ]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert intervals(ledger)[0].rate_per_weight is None
    assert "weight-unlikely" in findings(ledger)
    raws = [
        *START,
        event("weighed", "06:30", weight={"value": Decimal(70), "unit": "kg"}),
        level("07:00", 70),
    ]
    assert str(intervals(ledger_of(book_of(raws, RULES), "drn-1"))[0].rate_per_weight) == "1.00"


def test_the_status_of_every_kind_of_record_can_be_asked() -> None:
    book = book_of([*START, level("07:00", 40)], RULES)
    assert book.status(Key("drain", "", "drn-1")) == "used"
    assert book.status(Key("collector", "", "col-1")) == "used"
    assert book.status(Key("reading", "ward", "r-0700")) == "used"
    assert book.status(Key("reading", "ward", "unknown")) is None
