"""Counters, tolerance, capacity, deviations, clock changes (DESIGN 4)."""

from __future__ import annotations

from datetime import UTC, datetime, time
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from drainledger.domain.book import load
from drainledger.domain.calendar import Calendar
from drainledger.domain.collectors import CounterRules, WindowSpec
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
from tests.journals.raw import (
    collector,
    connected,
    correction,
    drain,
    event,
    level,
    millilitres,
    reading,
    volume,
)

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


def test_blood_given_back_may_have_been_there_before() -> None:
    """A bound must not be false: 1000 mL, 300 given back, taken off unread. Nothing need have come since."""
    taken_off = event("disconnected", "08:00")
    raws = [*START, level("07:00", 1000), event("reinfused", "07:30", volume=300), taken_off]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == ["1000", "?"]
    raws = [*START, level("07:00", 100), event("reinfused", "07:30", volume=300), taken_off]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == ["100", ">=200"]


def test_a_full_chamber_that_is_drawn_from_is_not_exact() -> None:
    raws = [*START, level("07:00", 2000), event("reinfused", "07:30", volume=100), level("08:00", 1950)]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == [">=2000", ">=50"]
    raws = [*START, level("07:00", 1900), event("reinfused", "07:30", volume=10), level("08:00", 1990)]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == ["1900", ">=100"]


def test_the_same_volume_drawn_twice_within_a_quarter_of_an_hour_is_told() -> None:
    twice = [event("reinfused", at, id=at, volume=300) for at in ("07:30", "07:45")]
    raws = [*START, level("07:00", 700), *twice, level("08:00", 180)]
    assert "charted-twice" in findings(ledger_of(book_of(raws, RULES), "drn-1"))
    apart = [event("reinfused", at, id=at, volume=300) for at in ("07:30", "07:46")]
    assert "charted-twice" not in findings(
        ledger_of(book_of([*START, level("07:00", 700), *apart], RULES), "drn-1")
    )


def test_amounts_that_overlap_are_not_added_up() -> None:
    raws = [drain(reads="volume"), volume("08:00", 50, since="07:00"), volume("12:00", 200, since="06:00")]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert (outputs(ledger), total(ledger)) == (["50", ">=150"], ">=200")
    assert findings(ledger) == {"period-overlaps"}


def test_an_amount_beside_a_level_is_a_check() -> None:
    raws = [*START, level("07:00", 100, volume=millilitres(80)), level("08:00", 140, volume=millilitres(41))]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert (outputs(ledger), findings(ledger)) == (["100", "40"], {"level-volume-mismatch"})


def test_of_two_sources_the_one_of_higher_priority_counts() -> None:
    rules = replace(RULES, priorities={"device": 1})
    records = records_of([*START, level("07:00", 100)])
    device = replace(records[-1], key=Key("reading", "device", "r-0700"), level=Decimal(140))
    assert outputs(ledger_of(load([*records, device], rules), "drn-1")) == ["140"]


def test_of_several_corrections_the_latest_made_holds() -> None:
    first = level("07:00", 100)
    later = correction(first, "09:00", id="a", level=millilitres(60))
    earlier = correction(first, "08:00", id="b", level=millilitres(80))
    assert outputs(ledger_of(book_of([*START, first, later, earlier], RULES), "drn-1")) == ["60"]


def test_a_count_across_its_daily_reset_is_what_came_since() -> None:
    profile = RULES.profiles["powered"]
    daily = replace(profile, counter=CounterRules(daily_reset=time(0, 0)))
    rules = replace(RULES, profiles={**RULES.profiles, "powered": daily})
    raws = [drain(), collector("pwr", "powered"), connected("06:00", 0, "pwr"), counter("22:00", 100)]
    raws += [counter("1+02:00", 120), counter("1+03:00", 130)]
    assert outputs(ledger_of(book_of(raws, rules), "drn-1")) == ["100", ">=120", "10"]
    at_midnight = [*raws[:4], counter("1+00:00", 110), counter("1+01:00", 5)]
    assert outputs(ledger_of(book_of(at_midnight, rules), "drn-1")) == ["100", "10", ">=5"]


def test_a_devices_value_is_preliminary_and_so_is_what_rests_on_it() -> None:
    by_device = level("07:00", 100, observer={"kind": "device", "value": "m"})
    ledger = ledger_of(book_of([*START, by_device, level("08:00", 120)], RULES), "drn-1")
    assert [i.preliminary for i in intervals(ledger)] == [True, True]


def test_a_clamp_ends_with_the_tube() -> None:
    raws = [*START, event("clamped", "07:00"), level("07:30", 0), event("removed", "08:00", final_level=0)]
    ledger = ledger_of(book_of([*raws, reading("12:00", tidaling="absent")], RULES), "drn-1")
    assert max(window.clamped_minutes for window in ledger.windows) == 60


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
