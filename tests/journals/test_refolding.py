"""What a late record changes far from itself: the ledger kept up to date equals the one made from scratch.

Each of these has once been wrong and was found by `test_properties`.
"""

from __future__ import annotations

import pytest

from drainledger.domain.book import Book, load
from tests.journals.books import records_of
from tests.journals.every_rule import EVERY_RULE
from tests.journals.raw import (
    UNIT,
    Raw,
    collector,
    connected,
    correction,
    drain,
    event,
    level,
    replaced,
    retraction,
)

PLACE = connected("05:00")
DRAIN, FIRST, SECOND = drain(), level("10:00", 20), level("18:00", 40)
SETUP = (DRAIN, collector(UNIT), PLACE, FIRST, SECOND)
REMOVED = event("removed", "18:30")
Y = (drain("drn-2"), drain("drn-3", joins=["drn-1", "drn-2"]), collector("col-2"))
Y_CONNECTED = connected("06:00", unit="col-2", drain="drn-3", id="y")
CHANGE = replaced("06:00", "col-2", start=None)
#: Another drain holds the chamber that this one is then connected to.
NEIGHBOUR = (
    drain("drn-2"),
    collector("col-2"),
    connected("06:00", unit="col-2", drain="drn-2", id="n"),
    connected("07:00", unit="col-2"),
)
UNITS = (collector("col-2"), replaced("06:00", "col-2"))

CASES: dict[str, tuple[Raw, ...]] = {
    "a correction that only repeats": (correction(PLACE, "05:00"),),
    "a change corrected to something else": (
        collector("col-2"),
        CHANGE,
        correction(CHANGE, "20:00", kind="clamped"),
    ),
    "three readings at one instant": tuple(level("20:00", 60, id=id) for id in ("r-c", "r-b", "r-a")),
    "the latest record withdrawn within the grace": (
        level("19:10", 60),
        level("19:40", 60),
        retraction("r-1940", "20:00"),
    ),
    "the zone corrected": (level("1+19:40", 60), correction(DRAIN, "20:00", time_zone="America/New_York")),
    "the removal withdrawn": (REMOVED, retraction(REMOVED["id"], "20:00")),
    "the removal corrected to a later time": (
        REMOVED,
        correction(REMOVED, "20:00", at=level("1+09:00", 0)["at"]),
    ),
    "a Y charted late": (*Y, Y_CONNECTED),
    "a Y withdrawn": (*Y, Y_CONNECTED, retraction("y", "20:00")),
    "a clamp withdrawn": (
        event("clamped", "10:30"),
        level("1+19:40", 60),
        retraction("clamped-1030", "20:00"),
    ),
    "the profile corrected": (*UNITS, correction(UNITS[0], "20:00", profile="infant")),
    "the occupant of a chamber withdrawn": (*NEIGHBOUR, retraction("n", "20:00")),
    "the occupant of a chamber moved": (
        *NEIGHBOUR,
        collector("col-3"),
        correction(NEIGHBOUR[2], "20:00", collector="col-3"),
    ),
    "a late change before everything": (collector("col-2"), connected("04:00", unit="col-2")),
}


@pytest.mark.parametrize("late", CASES.values(), ids=[name.replace(" ", "-") for name in CASES])
def test_kept_up_to_date_equals_from_scratch(late: tuple[Raw, ...]) -> None:
    records = records_of((*SETUP, *late))
    book = Book(EVERY_RULE)
    for sent, record in enumerate(records, start=1):
        book.add(record)
        book.refold()
        scratch = load(records[:sent], EVERY_RULE)
        for name in scratch.drain_ids():
            assert book.ledger(name) == scratch.ledger(name)
