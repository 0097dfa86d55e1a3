"""Two readings of one chamber at one instant, one of them a slip of the pen (DESIGN 4 'Interval', 'One reading alone').

`adult-single`, connected 06:00 at 0. Worked by hand, as a careful nurse would chart it: of 300 and 30 at 08:00 between
290 and 310 the 30 is the slip, so 290, 10, 10; between 25 and 40 the 300 is, so 25, 5, 10. Where the unit may have been
changed (290, then 300 and 30, then 40) nothing tells, so the lower stands and the fall to it is not known: 290, ?, 10.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from drainledger.domain.book import Book
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import DrainLedger
from drainledger.domain.records import Reading
from tests.journals.books import book_of, ledger_of, outputs, records_of, total
from tests.journals.raw import Raw, collector, connected, drain, event, level
from tests.journals.rules import RULES

SETUP = (drain(), collector(), connected("06:00"))


def both(high_first: bool, clock: str = "08:00") -> list[Raw]:
    """300 and 30 at one instant, under ids in either order."""
    ids = ("a", "b") if high_first else ("b", "a")
    return [level(clock, 300, id=ids[0]), level(clock, 30, id=ids[1])]


def shuffled(raws: Sequence[Raw]) -> list[list[Raw]]:
    """24 orders of arrival, the one backwards among them."""
    return [list(reversed(raws)), *(random.Random(seed).sample(raws, len(raws)) for seed in range(23))]


def in_every_order(raws: Sequence[Raw], rules: Rules = RULES) -> DrainLedger:
    """The ledger, which is the same for every order of what comes after the set-up, at once and one at a time."""
    wanted = ledger_of(book_of([*SETUP, *raws], rules), "drn-1")
    for order in itertools.permutations(raws) if len(raws) < 4 else shuffled(raws):
        assert ledger_of(book_of([*SETUP, *order], rules), "drn-1") == wanted
        book = Book(rules)
        for record in records_of([*SETUP, *order]):
            book.add(record)
            book.refold()
        assert ledger_of(book, "drn-1") == wanted
    return wanted


def found(ledger: DrainLedger) -> dict[int, list[str]]:
    """Codes by the level that the finding is about."""
    return {
        int(mark.value): [f.code for f in node.findings]
        for node in ledger.nodes
        for mark in node.levels
        if node.findings
    }


@pytest.mark.parametrize("high_first", [True, False])
@pytest.mark.parametrize(
    ("before", "after", "wanted", "sum_", "aside"),
    [(290, 310, ["290", "10", "10"], "310", 30), (25, 40, ["25", "5", "10"], "40", 300)],
)
def test_the_one_that_fits_its_neighbours_stands(
    high_first: bool, before: int, after: int, wanted: list[str], sum_: str, aside: int
) -> None:
    ledger = in_every_order([level("07:00", before), *both(high_first), level("09:00", after)])
    assert (outputs(ledger), total(ledger)) == (wanted, sum_)
    assert found(ledger) == {aside: ["readings-disagree"]}


DIFFER = "Two levels of one chamber differ: "


def sentences(ledger: DrainLedger) -> list[str]:
    return [f.text for node in ledger.nodes for f in node.findings if f.code == "readings-disagree"]


@pytest.mark.parametrize("high_first", [True, False])
def test_the_finding_names_the_level_that_is_used_and_why(high_first: bool) -> None:
    fits = in_every_order([level("07:00", 290), *both(high_first), level("09:00", 310)])
    why = "300 mL is used: it fits the levels before and after it."
    assert sentences(fits) == [f"{DIFFER}30 mL at 08:00 and 300 mL at 08:00. {why}"]
    lower = in_every_order([level("07:00", 25), *both(high_first), level("09:00", 40)])
    why = "30 mL is used: it is the lower of the two."
    assert sentences(lower) == [f"{DIFFER}300 mL at 08:00 and 30 mL at 08:00. {why}"]


def test_a_source_that_comes_first_is_named_as_the_reason() -> None:
    *setup, first, second = records_of([*SETUP, level("08:00", 140), level("08:00", 100, id="other")])
    assert isinstance(first, Reading)
    first = replace(first, key=first.key._replace(source="pump"))
    book = Book(replace(RULES, priorities={"pump": 5}))
    for record in (*setup, first, second):
        book.add(record)
    book.refold()
    ledger = ledger_of(book, "drn-1")
    why = "140 mL is used: its source comes first."
    assert sentences(ledger) == [f"{DIFFER}100 mL at 08:00 and 140 mL at 08:00. {why}"]


def test_each_level_has_its_own_time() -> None:
    """The unit came off at 11:00 and its last level is charted at 11:20; at 11:40 it is looked at again."""
    off = event("removed", "11:20", final_level=50)
    again = level("11:40", 60, collector="col-1")
    ledger = in_every_order([level("10:00", 30), event("disconnected", "11:00"), off, again])
    why = "50 mL is used: it is the level that the unit came off with."
    assert sentences(ledger) == [f"{DIFFER}60 mL at 11:40 and 50 mL at 11:20. {why}"]


def test_a_reading_beside_an_act_says_so() -> None:
    ledger = in_every_order([event("emptied", "07:00", level_before=200), level("07:00", 0)])
    why = "200 mL is used: it was charted with the act itself."
    assert sentences(ledger) == [f"{DIFFER}0 mL at 07:00 and 200 mL at 07:00. {why}"]


def test_an_act_with_a_level_that_cannot_be_says_nothing_of_the_reading() -> None:
    """All in one minute: read, and taken off with more than the chamber holds."""
    ledger = in_every_order([level("07:00", 20), event("disconnected", "07:00", final_level=9000)])
    assert outputs(ledger) == ["20"]
    assert sentences(ledger) == []


def test_a_reading_at_the_start_goes_before_the_level_stated_for_it() -> None:
    """200 at 06:00 is stated for the start, 20 is read then: what is 30 at 07:00 came from 20 on."""
    raws = [drain(), collector(), connected("06:00", 200), level("06:00", 20), level("07:00", 30)]
    ledger = ledger_of(book_of(raws, RULES), "drn-1")
    assert outputs(ledger) == ["10"]
    why = "20 mL is used: what comes next is reckoned from it."
    assert sentences(ledger) == [f"{DIFFER}20 mL at 06:00 and 200 mL at 06:00. {why}"]


@pytest.mark.parametrize("high_first", [True, False])
def test_where_the_unit_may_have_been_changed_the_lower_stands(high_first: bool) -> None:
    ledger = in_every_order([level("07:00", 290), *both(high_first), level("09:00", 40)])
    assert (outputs(ledger), total(ledger)) == (["290", "?", "10"], ">=300")


@pytest.mark.parametrize("high_first", [True, False])
def test_while_nothing_was_read_after_the_lower_stands(high_first: bool) -> None:
    ledger = in_every_order([level("07:00", 290), *both(high_first)])
    assert (outputs(ledger), total(ledger)) == (["290", "?"], ">=290")


@pytest.mark.parametrize("high_first", [True, False])
def test_a_reading_of_long_before_tells_as_well_as_one_of_late(high_first: bool) -> None:
    """290 is read eight hours before: by itself the 30 could be of a new unit, but the other reading of its minute says
    that it isn't."""
    raws = [level("07:00", 290), *both(high_first, "15:00"), level("16:00", 310)]
    assert outputs(in_every_order(raws)) == ["290", "10", "10"]


@pytest.mark.parametrize("high_first", [True, False])
def test_a_level_that_a_tip_left_tells_too(high_first: bool) -> None:
    tip = event("tipped", "07:30", level_before=290, level_after=290)
    raws = [tip, *both(high_first), level("09:00", 310)]
    assert outputs(in_every_order(raws)) == ["290", "10", "10"]


def test_one_that_fits_beats_a_trusted_source_that_slipped() -> None:
    """The source 'ward' of all readings but the slip is trusted less than the one that slipped."""
    slip = records_of([level("08:00", 30, id="slip")])[0]
    assert isinstance(slip, Reading)
    slip = replace(slip, key=slip.key._replace(source="pump"))
    rules = replace(RULES, priorities={"pump": 5})
    book = Book(rules)
    sent = records_of([*SETUP, level("07:00", 290), level("08:00", 300), level("09:00", 310)])
    for record in (*sent, slip):
        book.add(record)
    book.refold()
    assert outputs(ledger_of(book, "drn-1")) == ["290", "10", "10"]


def test_where_none_fits_all_are_set_aside() -> None:
    """290, then 30 and 900 at 08:00, then 310: at least 20 mL. If the unit was changed, 280 mL by the low reading."""
    raws = [level("07:00", 290), level("08:00", 30, id="a"), level("08:00", 900, id="b"), level("09:00", 310)]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["290", ">=20"], ">=310")
    assert found(ledger)[30] == ["suspected-misread"]
