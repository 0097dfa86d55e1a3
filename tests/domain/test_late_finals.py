"""A last level that is charted when the unit is off already (DESIGN 4 'Events': units are read after they come off).

`adult-single`, connected 06:00 at 0. Worked by hand: 07:00 300, off at 07:30, and 340 charted afterwards as what it
came off with: 300, then 340 - 300 = 40 to 07:30. What the next unit holds at 08:00, 60, came since: 60, total 400.
"""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from drainledger.domain.book import Book
from drainledger.domain.entries import DrainLedger
from tests.domain.test_two_at_once import in_every_order
from tests.journals.books import book_of, ledger_of, outputs, records_of, total
from tests.journals.raw import Raw, collector, connected, drain, event, level, millilitres, replaced, volume
from tests.journals.rules import RULES

UNITS = (collector("col-2"),)
OFF = event("disconnected", "07:30")
ON = (level("07:00", 300), OFF)


def told(ledger: DrainLedger, id: str) -> list[str]:
    return [f.code for node in ledger.nodes if node.key.id == id for f in node.findings]


def last_level(ledger: DrainLedger, id: str) -> list[tuple[str, str, bool]]:
    """The levels that a record states of units which had come off: unit, mL, used."""
    marks = [m for node in ledger.nodes if node.key.id == id for m in node.levels if m.part == "final"]
    return [(m.collector, f"{m.value:f}", m.used) for m in marks]


def test_a_change_after_the_unit_came_off_tells_its_last_level() -> None:
    ledger = in_every_order([*UNITS, *ON, replaced("07:35", "col-2", final=340, id="on"), level("08:00", 60)])
    assert (outputs(ledger), total(ledger)) == (["300", "40", "60"], "400")
    assert last_level(ledger, "on") == [("col-1", "340", True)]
    assert told(ledger, "on") == []


def test_removal_after_the_unit_came_off_tells_its_last_level() -> None:
    ledger = in_every_order([*ON, event("removed", "09:00", final_level=340, id="out")])
    assert (outputs(ledger), total(ledger)) == (["300", "40"], "340")
    assert last_level(ledger, "out") == [("col-1", "340", True)]


def test_the_second_nurse_alone_noted_the_last_level() -> None:
    """Worked case 20, but the first nurse noted no final level: 1450 - 1400 = 50 all the same."""
    raws = [
        *UNITS,
        level("06:50", 1400),
        replaced("07:00", "col-2", id="change-1"),
        replaced("07:05", "col-2", final=1450, id="change-2"),
        level("08:00", 60),
    ]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["1400", "50", "60"], "1510")
    assert told(ledger, "change-2") == ["already-in-place"]
    assert last_level(ledger, "change-2") == [("col-1", "1450", True)]


@pytest.mark.parametrize(("second", "codes"), [(1470, []), (1471, ["readings-disagree"])])
def test_two_nurses_noted_different_last_levels(second: int, codes: list[str]) -> None:
    """The tolerance above 500 mL is two marks of 10 mL. The first nurse's level stands."""
    raws = [
        *UNITS,
        level("06:50", 1400),
        replaced("07:00", "col-2", final=1450, id="change-1"),
        replaced("07:05", "col-2", final=second, id="change-2"),
        level("08:00", 60),
    ]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["1400", "50", "60"], "1510")
    assert told(ledger, "change-2") == ["already-in-place", *codes]
    assert last_level(ledger, "change-2") == [("col-1", str(second), False)]


@pytest.mark.parametrize(("clock", "known"), [("11:30", True), ("11:31", False)])
def test_a_level_of_long_after_tells_nothing(clock: str, known: bool) -> None:
    """Within 4 hours it does: a unit that hangs there for longer may have been handled."""
    ledger = in_every_order([*ON, event("removed", clock, final_level=340, id="out")])
    assert outputs(ledger) == ["300", "40" if known else "?"]
    assert told(ledger, "out") == ([] if known else ["final-level-not-used"])


@pytest.mark.parametrize(("clock", "known"), [("07:45", True), ("07:46", False)])
def test_another_chart_of_a_change_is_one_of_its_quarter_of_an_hour(clock: str, known: bool) -> None:
    """Later, with another unit in place, nobody can say which unit's last level it is."""
    raws = [
        *UNITS,
        level("07:00", 300),
        replaced("07:30", "col-2"),
        replaced(clock, "col-2", final=340, id="again"),
    ]
    ledger = in_every_order(raws)
    assert outputs(ledger) == ["300", "40" if known else "?"]
    assert told(ledger, "again") == ["already-in-place", *([] if known else ["final-level-not-used"])]


def test_taken_off_twice() -> None:
    ledger = in_every_order([*ON, event("disconnected", "07:40", final_level=340, id="again")])
    assert outputs(ledger) == ["300", "40"]
    assert told(ledger, "again") == ["not-connected"]
    assert last_level(ledger, "again") == [("col-1", "340", True)]


def test_a_reading_that_names_the_unit_comes_first() -> None:
    """350 read at 07:32 closes it: 50. The 340 is 10 mL off, more than two marks of 2 mL."""
    named = level("07:32", 350, collector="col-1")
    ledger = in_every_order([*ON, named, event("removed", "07:40", final_level=340, id="out")])
    assert outputs(ledger) == ["300", "50"]
    assert told(ledger, "out") == ["readings-disagree"]


@pytest.mark.parametrize("high_first", [True, False])
def test_of_two_readings_of_one_minute_the_lower_is_the_last_level(high_first: bool) -> None:
    """340 and 430 read at 07:40 of the unit that came off: 40 mL for certain, whichever id comes first."""
    ids = ("a", "b") if high_first else ("b", "a")
    raws = [
        level("07:40", value, id=id, collector="col-1") for value, id in zip((430, 340), ids, strict=True)
    ]
    ledger = in_every_order([*ON, *raws, level("07:41", 500, id="later", collector="col-1")])
    assert (outputs(ledger), total(ledger)) == (["300", "40"], "340")
    assert told(ledger, ids[0]) == ["readings-disagree"]
    assert told(ledger, ids[1]) == []


def test_of_two_readings_of_one_minute_the_trusted_source_tells_the_last_level() -> None:
    raws = [level("07:40", 340, id="a", collector="col-1"), level("07:40", 342, id="b", collector="col-1")]
    *others, trusted = records_of([drain(), collector(), connected("06:00"), *ON, *raws])
    book = Book(replace(RULES, priorities={"pump": 5}))
    for record in (*others, replace(trusted, key=trusted.key._replace(source="pump"))):
        book.add(record)
    book.refold()
    assert outputs(ledger_of(book, "drn-1")) == ["300", "42"]


def test_a_last_level_that_the_chamber_cannot_hold_is_shown_and_told() -> None:
    ledger = in_every_order([*ON, event("removed", "07:40", final_level=2200, id="out")])
    assert outputs(ledger) == ["300", "?"]
    assert told(ledger, "out") == ["level-beyond-capacity"]
    assert last_level(ledger, "out") == [("col-1", "2200", False)]


def test_no_unit_had_come_off() -> None:
    """The unit in place is named as the new one: its own level, perhaps, but nothing came off."""
    ledger = in_every_order([level("07:00", 300), replaced("07:30", "col-1", final=340, id="odd")])
    assert outputs(ledger) == ["300"]
    assert told(ledger, "odd") == ["already-in-place", "final-level-not-used"]


def test_where_only_amounts_are_charted() -> None:
    raws: list[Raw] = [
        drain(reads="volume"),
        volume("07:00", 35),
        event("removed", "08:00", final_level=40, id="out"),
    ]
    assert told(ledger_of(book_of(raws, RULES), "drn-1"), "out") == ["final-level-not-used"]


def test_the_last_level_is_withdrawn_with_its_record() -> None:
    """Without the removal's level what came until 07:30 is not known again; every order of arrival says so."""
    late: Raw = {"record": "retraction", "id": "x", "retracts": "out", "made_at": "2026-03-02T10:00:00+00:00"}
    ledger = in_every_order([*ON, event("removed", "07:40", final_level=340, id="out"), late])
    assert (outputs(ledger), total(ledger)) == (["300", "?"], ">=300")


@pytest.mark.parametrize(("second", "code"), [(344, "read-twice"), (345, "readings-disagree")])
def test_the_next_unit_is_charted_with_another_last_level(second: int, code: str) -> None:
    """340 stands, charted when the unit came off; two marks of 2 mL are the tolerance."""
    off = event("disconnected", "07:30", final_level=340, id="off")
    raws = [
        *UNITS,
        level("07:00", 300),
        off,
        replaced("07:35", "col-2", final=second, id="on"),
        level("08:00", 60),
    ]
    ledger = in_every_order(raws)
    assert outputs(ledger) == ["300", "40", "60"]
    assert told(ledger, "on") == [code]
    assert last_level(ledger, "on") == [("col-1", str(second), False)]


def test_of_two_units_that_came_off_it_is_the_later_ones() -> None:
    """col-1 off at 07:30, col-2 on at 07:32 at 0 and off at 07:34, col-3 on at 07:36 and again at 07:40, with 340 as
    the last level of what came off: col-2, so 340 since 07:32; what col-1 held at 07:30 nobody noted."""
    raws = [
        collector("col-3"),
        *ON,
        event("connected", "07:32", collector="col-2", chamber="A", start_level=0, id="two"),
        event("disconnected", "07:34", id="two-off"),
        event("connected", "07:36", collector="col-3", chamber="A", start_level=0, id="three"),
        replaced("07:40", "col-3", final=340, id="again"),
    ]
    ledger = in_every_order([*UNITS, *raws])
    assert outputs(ledger) == ["300", "?", "340"]
    assert last_level(ledger, "again") == [("col-2", "340", True)]


def by_unit(clock: str, final: int | None, id: str, new: str = "col-2") -> Raw:
    raw = event("replaced", clock, id=id, drain=None, from_collector="col-1", collector=new)
    return raw | {"levels": {"A": {} if final is None else {"final_level": millilitres(final)}}}


@pytest.mark.parametrize("clock", ["07:30", "07:35", "07:45"])
def test_a_unit_changed_as_a_whole_is_charted_again(clock: str) -> None:
    """The second nurse alone noted what it came off with: 340 - 300 = 40, and nothing waits."""
    raws = [
        level("07:00", 300),
        by_unit("07:30", None, "once"),
        by_unit(clock, 340, "twice"),
        level("08:00", 60),
    ]
    ledger = in_every_order([*UNITS, *raws])
    assert (outputs(ledger), total(ledger)) == (["300", "40", "60"], "400")
    assert told(ledger, "twice") == ["already-in-place"]
    assert [(n.key.id, n.status) for n in ledger.nodes if n.key.id == "twice"] == [("twice", "used")]


def test_charted_again_much_later_it_is_answered_all_the_same() -> None:
    raws = [level("07:00", 300), by_unit("07:30", None, "once"), by_unit("07:46", 340, "twice")]
    ledger = in_every_order([*UNITS, *raws])
    assert outputs(ledger) == ["300", "?"]
    assert told(ledger, "twice") == ["already-in-place", "final-level-not-used"]


def test_changed_for_one_drain_and_then_charted_as_a_whole() -> None:
    """Both chambers went to the new unit; one drain's change was charted a little earlier by itself."""
    pair = [
        *(drain(), drain("drn-2"), collector("col-1", "adult-dual"), collector("col-2", "adult-dual")),
        connected("06:00"),
        connected("06:00", id="b", drain="drn-2", chamber="B"),
        replaced("07:30", "col-2", id="first"),
        by_unit("07:32", 340, "whole"),
        level("08:00", 60),
    ]
    book = book_of(pair, RULES)
    assert outputs(ledger_of(book, "drn-1")) == ["340", "60"]
    assert [c.collector for c in ledger_of(book, "drn-2").connections] == ["col-1", "col-2"]


def test_a_unit_changed_for_another_than_the_one_in_place_waits() -> None:
    raws = [collector("col-3"), by_unit("07:30", None, "once"), by_unit("07:35", 340, "twice", "col-3")]
    records = records_of([drain(), collector(), connected("06:00"), *UNITS, *raws])
    book = Book(RULES)
    for record in records:
        book.add(record)
    book.refold()
    assert book.status(records[-1].key) == "waiting"
