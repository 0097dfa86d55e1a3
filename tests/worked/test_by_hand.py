"""Journals worked out by hand, each with one thing that is easy to get wrong, in several orders of arrival.

`adult-single`, connected 06:00 at 0, unless said. The sums stand beside each.
"""

from __future__ import annotations

from typing import Any

import pytest

from drainledger.domain.book import Book
from tests.domain.test_two_at_once import shuffled
from tests.journals.books import book_of, ledger_of, outputs, records_of, total
from tests.journals.raw import (
    DRAIN,
    Raw,
    collector,
    connected,
    correction,
    drain,
    event,
    level,
    millilitres,
    replaced,
    retraction,
    volume,
)
from tests.journals.rules import RULES

SETUP = (drain(), collector(), collector("col-2"), connected("06:00"))
FINAL = level("07:40", 340, collector="col-1", id="final")


def ledger(*raws: Raw) -> Any:
    """The same at once and one at a time, in every order tried."""
    wanted = ledger_of(book_of(raws, RULES), DRAIN)
    for order in shuffled(raws):
        book = Book(RULES)
        for record in records_of(order):
            book.add(record)
            book.refold()
        assert ledger_of(book, DRAIN) == wanted
    return wanted


@pytest.mark.parametrize(
    ("sent", "wanted", "sum_"),
    [
        pytest.param(
            # The sample goes first: 110 - 100 + 10 = 20; 15 since it was emptied.
            (
                level("07:00", 100),
                event("sampled", "07:30", volume=10),
                event("emptied", "07:30", level_before=110),
                level("08:00", 15),
            ),
            ["100", "20", "15"],
            "135",
            id="two events in one minute",
        ),
        pytest.param(
            # 344 - 300 = 44 to 07:30, when the unit came off.
            (
                level("07:00", 300),
                replaced("07:30", "col-2"),
                FINAL,
                correction(FINAL, "09:00", level=millilitres(344)),
                level("08:00", 60),
            ),
            ["300", "44", "60"],
            "404",
            id="the reading that a change relied on is corrected",
        ),
        pytest.param(
            # 100, then nobody knows what came until 07:30, then 60.
            (
                level("07:00", 100),
                level("07:20", 150, id="gone"),
                replaced("07:30", "col-2"),
                level("08:00", 60),
                retraction("gone", "09:00"),
            ),
            ["100", "?", "60"],
            ">=160",
            id="the reading before a change is withdrawn",
        ),
        pytest.param(
            # At 504 the marks are 10 apart: 6 mL is noise. 498 stays below 504, which is reckoned from.
            (level("07:00", 504), level("12:00", 498), level("13:00", 520)),
            ["504", "0", "16"],
            "520",
            id="a fall across the step of the graduation",
        ),
        pytest.param(
            # At 500 they are 2 apart: 4 mL is noise, 5 is not.
            (level("07:00", 500), level("12:00", 496), level("17:00", 495)),
            ["500", "0", "?"],
            ">=500",
            id="a fall at the step of the graduation",
        ),
        pytest.param(
            # Of the fall to 100 nothing is known but the samples: 10 + 15.
            (
                level("07:00", 300),
                event("sampled", "07:20", volume=10),
                event("sampled", "07:40", volume=15),
                level("12:00", 100),
                level("13:00", 120),
            ),
            ["300", ">=25", "20"],
            ">=345",
            id="samples in an interval that is not known",
        ),
        pytest.param(
            # 100; 20 until the bag; 200 and 30 in the bag; back at 120: 10.
            (
                level("07:00", 100),
                replaced("07:30", "col-2", final=120),
                level("08:00", 200),
                replaced("08:30", "col-1", final=230, start=120, id="back"),
                level("09:00", 130),
            ),
            ["100", "20", "200", "30", "10"],
            "360",
            id="a bag in line between two readings",
        ),
        pytest.param(
            # 300 given back after it came off: 150 + 300 - 400 = 50.
            (
                level("07:00", 400),
                event("disconnected", "07:30"),
                event("reinfused", "07:40", volume=300, collector="col-1"),
                level("07:50", 150, collector="col-1"),
            ),
            ["400", "50"],
            "450",
            id="given back between coming off and being read",
        ),
        pytest.param(
            # The first connection never was: from 20 at 06:30, 100 - 20 = 80, then 10.
            (
                level("07:00", 100),
                level("08:00", 110),
                retraction("connected-0600", "09:00"),
                connected("06:30", 20, id="again"),
            ),
            ["80", "10"],
            "90",
            id="the connection is withdrawn and charted anew",
        ),
    ],
)
def test_levels(sent: tuple[Raw, ...], wanted: list[str], sum_: str) -> None:
    found = ledger(*SETUP, *sent)
    assert (outputs(found), total(found)) == (wanted, sum_)


def test_amounts_that_arrive_backwards() -> None:
    """Each says when its period began, so none takes the others' time: 10, 20, 30."""
    raws = [volume(f"{hour:02}:00", 10 * (hour - 6), since=f"{hour - 1:02}:00") for hour in (9, 8, 7)]
    found = ledger(drain(reads="volume"), *raws)
    assert (outputs(found), total(found)) == (["10", "20", "30"], "60")


def test_a_reading_in_the_very_minute_of_a_shifts_end_is_of_that_shift() -> None:
    """(start, end]: 100 to 07:00 is of the night, 200 to 19:00 of the day, 50 to 07:00 of the next night."""
    found = ledger(*SETUP, level("07:00", 100), level("19:00", 300), level("1+07:00", 350))
    assert {(w.name, w.day): f"{w.total:f}" for w in found.windows} == {
        ("ward-day", "2026-03-01"): "100",
        ("night", "2026-03-01"): "100",
        ("day", "2026-03-02"): "200",
        ("night", "2026-03-02"): "50",
        ("ward-day", "2026-03-02"): "250",
    }


def test_the_hour_that_an_autumn_night_repeats() -> None:
    """In Lisbon clocks go back at 01:00 UTC on 2026-10-25 (IANA tz database): 01:30 comes twice, an hour apart, and
    the night from 19:00 to 07:00 has 13 hours, the ward day 25: 18:00 to 07:00 UTC are covered, 13/25 = 0.52.
    """

    def read(at: str, value: int) -> Raw:
        return {"record": "reading", "id": at, "drain": DRAIN, "at": at, "level": millilitres(value)}

    start = {**connected("06:00"), "at": "2026-10-24T19:00:00+01:00"}
    raws = [
        read("2026-10-25T01:30:00+01:00", 10),
        read("2026-10-25T01:30:00+00:00", 30),
        read("2026-10-25T07:00:00+00:00", 60),
    ]
    found = ledger(drain(), collector(), start, *raws)
    assert outputs(found) == ["10", "20", "30"]
    assert [i.rate for n in found.nodes if (i := n.interval)][1] == 20
    assert {(w.name, w.day): (f"{w.total:f}", f"{w.coverage:f}") for w in found.windows} == {
        ("night", "2026-10-24"): ("60", "1.000"),
        ("ward-day", "2026-10-24"): ("60", "0.520"),
    }
