"""Values exactly on a limit, each worked by hand from DESIGN 4: what belongs to which side."""

from __future__ import annotations

from datetime import time
from zoneinfo import ZoneInfo

import pytest
from msgspec.structs import replace

from drainledger.domain.collectors import CounterRules
from drainledger.domain.entries import DrainLedger
from drainledger.domain.levels import Scale, crosses_daily_reset
from drainledger.domain.windows import rolling
from tests.domain.test_rules import folded, hourly, raised_at, with_rule
from tests.journals.books import book_of, ledger_of, outputs
from tests.journals.raw import (
    DRAIN,
    Raw,
    collector,
    connected,
    drain,
    event,
    instant,
    level,
    millilitres,
    reading,
    volume,
)
from tests.journals.rules import PROFILES, RULES

SETUP = (drain(), collector(), connected("06:00"))
COUNTING = next(profile for profile in PROFILES if profile.id == "counting")
AT_MIDNIGHT = replace(COUNTING, counter=CounterRules(daily_reset=time(0)))
RESETS = Scale(AT_MIDNIGHT, AT_MIDNIGHT.chambers[0], counter=True)


def of(*raws: Raw) -> DrainLedger:
    return ledger_of(book_of([*SETUP, *raws], RULES), DRAIN)


def test_hours_of_which_nothing_is_known_are_not_covered() -> None:
    """07:00 300, 19:00 120: of the day's 12 hours nothing is known; the night before has the hour from 06:00, 1/12."""
    ledger = of(level("07:00", 300), level("19:00", 120))
    assert {w.name: f"{w.coverage:f}" for w in ledger.windows if w.name != "ward-day"} == {
        "night": "0.083",
        "day": "0.000",
    }


def test_the_net_of_a_window_is_its_total_less_the_irrigant_of_its_intervals() -> None:
    """60 came out from 07:00 to 08:00, 50 of it put in at 07:15: net 10; the night before has 100 of 100."""
    ledger = of(level("07:00", 100), event("irrigated", "07:15", volume=50), level("08:00", 160))
    assert {w.name: (f"{w.total:f}", f"{w.net:f}") for w in ledger.windows if w.name != "ward-day"} == {
        "night": ("100", "100"),
        "day": ("60", "10"),
    }


@pytest.mark.parametrize(("start", "end", "wanted"), [("07:00", "08:00", "20"), ("06:00", "07:00", "35")])
def test_an_output_of_no_duration_is_of_the_window_that_ends_at_its_instant(
    start: str, end: str, wanted: str
) -> None:
    """A first amount has no start: all of it is at 07:00, which (06:00, 07:00] holds and (07:00, 08:00] does not."""
    raws = [drain(reads="volume"), volume("07:00", 35), volume("08:00", 20)]
    window = rolling(ledger_of(book_of(raws, RULES), DRAIN).nodes, instant(start), instant(end))
    assert f"{window.total:f}" == wanted


def test_a_count_that_is_reset_every_day_may_fall() -> None:
    """500, then 30 the next morning: what fell was reset, so at least 30 came since."""
    rules = replace(RULES, profiles={**RULES.profiles, "counting": AT_MIDNIGHT})
    counts = [("07:00", 500), ("08:00", 30)]
    raws = [drain(), collector(profile="counting"), connected("06:00")]
    raws += [reading(at, counter=millilitres(value)) for at, value in counts]
    assert outputs(ledger_of(book_of(raws, rules), DRAIN)) == ["500", ">=30"]


@pytest.mark.parametrize(
    ("start", "end", "after_reset", "crosses"),
    [
        ("23:00", "1+01:00", False, True),
        ("1+00:00", "1+01:00", False, True),  # the count read in that instant is still the old one
        ("1+00:00", "1+01:00", True, False),  # unless it was found to have fallen
        ("23:00", "1+00:00", False, False),
        ("1+00:01", "1+23:59", False, False),
        ("1+00:01", "2+00:01", False, True),
    ],
)
def test_a_daily_reset_lies_between(start: str, end: str, after_reset: bool, crosses: bool) -> None:
    zone = ZoneInfo("Europe/Lisbon")
    assert crosses_daily_reset(RESETS, zone, instant(start), instant(end), after_reset) is crosses


@pytest.mark.parametrize(("rate", "told"), [(50, ["r-0900"]), (49, [])])
def test_a_flow_of_just_the_limit_that_stops_is_told(rate: int, told: list[str]) -> None:
    rules = with_rule("output-stopped-abruptly", ml_per_hour=50, hours=2)
    assert raised_at(folded(rules, *hourly(rate, rate, rate, rate)), "output-stopped-abruptly") == told


@pytest.mark.parametrize(("limit", "told"), [(300, ["r-0800"]), (301, [])])
def test_an_output_of_just_the_limit_of_a_day_is_told(limit: int, told: list[str]) -> None:
    assert raised_at(folded(with_rule("daily-output", ml=limit), *hourly(299, 300)), "daily-output") == told


@pytest.mark.parametrize(("limit", "told"), [(99, ["r-0800"]), (100, [])])
def test_an_hour_of_just_the_limit_is_not_above_it(limit: int, told: list[str]) -> None:
    rules = with_rule("hourly-output", ml_per_hour=limit, hours=1)
    assert raised_at(folded(rules, *hourly(0, 100)), "hourly-output") == told


@pytest.mark.parametrize(("clock", "told"), [("08:30", ["r-0830"]), ("08:31", [])])
def test_an_interval_of_ninety_minutes_still_tells_of_its_hours(clock: str, told: list[str]) -> None:
    """900 mL in 90 minutes: 600 in each hour, above 500. In longer intervals nobody knows which hour it came in."""
    rules = with_rule("hourly-output", ml_per_hour=500, hours=1)
    assert raised_at(folded(rules, level("07:00", 0), level(clock, 900)), "hourly-output") == told


@pytest.mark.parametrize(
    ("clock", "shift"), [("19:30", ("day", "2026-03-02")), ("19:31", ("night", "2026-03-02"))]
)
def test_thirty_minutes_of_grace(clock: str, shift: tuple[str, str]) -> None:
    """An interval from 18:00 of which most lies before 19:00 is of the day, if it ends by 19:30."""
    ledger = of(level("18:00", 100), level(clock, 150))
    names = {(w.name, w.day) for w in ledger.windows if w.name != "ward-day"}
    assert names == {("day", "2026-03-02"), shift}


def test_most_of_it_before_the_boundary_means_more_than_half() -> None:
    """18:40 to 19:20 lies half on either side: it is of the night, by its end."""
    ledger = of(level("18:40", 100), level("19:20", 150))
    assert ("night", "2026-03-02") in {(w.name, w.day) for w in ledger.windows}


@pytest.mark.parametrize(("last", "wanted"), [(1949, "99"), (1950, ">=100")])
def test_a_chamber_that_may_have_been_full_before_a_sample_was_drawn(last: int, wanted: str) -> None:
    """1950 with 50 taken out would have stood at 2000, the brim: what did not fit nobody saw."""
    ledger = of(level("07:00", 1900), event("sampled", "07:30", volume=50), level("08:00", last))
    assert outputs(ledger) == ["1900", wanted]


@pytest.mark.parametrize(
    ("start", "bound", "total"), [("07:00", "at-least", "30"), ("07:30", "unknown", "15")]
)
def test_a_bound_that_is_split_bounds_nothing(start: str, bound: str, total: str) -> None:
    """At least 30 mL to 08:00 (the brim): of the half of it nobody can say even that at least 15 came then."""
    ledger = of(level("07:00", 1970), level("08:00", 2000))
    window = rolling(ledger.nodes, instant(start), instant("08:00"))
    assert (window.bound, f"{window.total:f}") == (bound, total)


def test_an_amount_with_no_known_start_tells_of_no_hour() -> None:
    rules = with_rule("hourly-output", ml_per_hour=100, hours=1)
    raws = [drain(reads="volume"), volume("07:00", 500), volume("07:30", 500), volume("08:30", 500)]
    assert raised_at(ledger_of(book_of(raws, rules), DRAIN), "hourly-output") == ["r-0830"]


def counted(rules: CounterRules, *counts: tuple[str, int], reads: str = "counter") -> list[str]:
    """The outputs of a unit that counts by itself, from 22:00 on."""
    profile = replace(COUNTING, counter=rules)
    raws = [drain(), collector(profile="counting"), connected("22:00", reads=reads)]
    name = "level" if reads == "level" else "counter"
    raws += [reading(at) | {name: millilitres(value)} for at, value in counts]
    return outputs(ledger_of(book_of(raws, replace(RULES, profiles={"counting": profile})), DRAIN))


def test_a_count_read_in_the_minute_of_its_daily_reset() -> None:
    """510 at midnight is the old count: 10, and 20 an hour later came at least. 30 at midnight is the new one already:
    at least 30, and 50 an hour later is 20 more."""
    rules = CounterRules(daily_reset=time(0))
    assert counted(rules, ("23:00", 500), ("1+00:00", 510), ("1+01:00", 20)) == ["500", "10", ">=20"]
    assert counted(rules, ("23:00", 500), ("1+00:00", 30), ("1+01:00", 50)) == ["500", ">=30", "20"]


def test_only_a_count_is_reset_by_itself() -> None:
    """The same unit read by its level: a fall that nothing explains."""
    rules = CounterRules(reset_allowed=True)
    assert counted(rules, ("23:00", 500), ("1+00:00", 30)) == ["500", ">=30"]
    assert counted(rules, ("23:00", 500), ("1+00:00", 30), reads="level") == ["500", "?"]


def test_a_window_is_exact_only_where_every_interval_in_it_is() -> None:
    """The fall at 08:00 is of the day; the night before has 300, exactly."""
    ledger = of(level("07:00", 300), level("08:00", 120), level("13:00", 150))
    assert {w.name: (f"{w.total:f}", w.bound) for w in ledger.windows if w.name != "ward-day"} == {
        "night": ("300", "exact"),
        "day": ("30", "at-least"),
    }


@pytest.mark.parametrize(("clock", "told"), [("1+10:00", ["r-1-1000"]), ("1+10:01", [])])
def test_a_flow_that_stopped_more_than_a_day_ago_is_no_news(clock: str, told: list[str]) -> None:
    """Nothing since 08:00: two hours, and up to a day after them."""
    rules = with_rule("output-stopped-abruptly", ml_per_hour=50, hours=2)
    raws = [*hourly(100, 200), level(clock, 200)]
    assert raised_at(folded(rules, *raws), "output-stopped-abruptly") == told


def test_an_amount_whose_period_reaches_into_what_is_not_known() -> None:
    """300; a fall to 100 at 12:00 and no last level at 12:30; then 50 mL, said to have begun at 11:30: none of it is
    known to have been counted, so at least 50."""
    by_amount = event("replaced", "12:30", collector="col-2", chamber="A", reads="volume")
    raws = [
        collector("col-2"),
        level("07:00", 300),
        level("12:00", 100),
        by_amount,
        volume("13:00", 50, since="11:30"),
    ]
    assert outputs(of(*raws)) == ["300", "?", "?", ">=50"]


def test_of_no_duration_and_no_output_is_no_interval() -> None:
    """340 read and 340 noted in the minute in which the unit comes off: 340 to then and nothing after it. A unit put on
    with no level noted, and read in that minute: what comes is reckoned from there."""
    assert outputs(of(level("07:30", 340), event("disconnected", "07:30", final_level=340))) == ["340"]
    raws = [drain(), collector(), connected("07:00", None), level("07:00", 20), level("08:00", 50)]
    assert outputs(ledger_of(book_of(raws, RULES), DRAIN)) == ["30"]
