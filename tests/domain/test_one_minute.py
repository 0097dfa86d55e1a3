"""Two acts of one minute (DESIGN 4 'Order'): what they mean does not hang on their ids.

`adult-single`, connected 06:00 at 0. Worked by hand: 06:30 200, 07:00 300, emptied at 07:00 from 330 and replaced in
the same minute, 08:00 20. The chamber held 330 when it was emptied, then nothing when it came off: 200, 130, 20, so
350. What ends the old unit comes before what puts a new one on: a level of that minute is of the old one.
"""

from __future__ import annotations

import itertools

import pytest

from drainledger.domain.entries import DrainLedger
from tests.domain.test_two_at_once import in_every_order
from tests.journals.books import findings, outputs, total
from tests.journals.raw import Raw, collector, event, level, replaced

UNITS = (collector("col-2"),)
IDS = tuple(itertools.permutations("ab"))


def emptied(id: str, before: int | None = None) -> Raw:
    return event("emptied", "07:00", id=id, level_before=before)


def tipped(id: str, before: int | None = None, after: int | None = None) -> Raw:
    return event("tipped", "07:00", id=id, level_before=before, level_after=after)


def changed(id: str, final: int | None = None) -> Raw:
    return replaced("07:00", "col-2", final=final, id=id)


def off(id: str, final: int | None = None) -> Raw:
    return event("disconnected", "07:00", id=id, final_level=final)


def out(id: str, final: int | None = None) -> Raw:
    return event("removed", "07:00", id=id, final_level=final)


def ledger(*acts: Raw, then: int | None = 20) -> DrainLedger:
    """With 200 at 06:30 and, unless None, a last level at 08:00."""
    last = () if then is None else (level("08:00", then),)
    return in_every_order([*UNITS, level("06:30", 200), *acts, *last])


@pytest.mark.parametrize(("first", "second"), IDS)
def test_emptied_and_replaced(first: str, second: str) -> None:
    found = ledger(level("07:00", 300), emptied(first, 330), changed(second))
    assert (outputs(found), total(found)) == (["200", "130", "20"], "350")


@pytest.mark.parametrize(("first", "second"), IDS)
def test_tipped_and_emptied(first: str, second: str) -> None:
    """330 before the tip and 310 after it, which is what was emptied: 130, nothing, and 20 since."""
    found = ledger(tipped(first, 330, 310), emptied(second, 310))
    assert (outputs(found), total(found)) == (["200", "130", "20"], "350")


@pytest.mark.parametrize(("first", "second"), IDS)
@pytest.mark.parametrize(("noted_off", "noted_on"), [(330, None), (None, 330), (330, 330)])
def test_taken_off_and_replaced_it_is_the_old_unit_that_came_off(
    first: str, second: str, noted_off: int | None, noted_on: int | None
) -> None:
    """Whichever of the two notes the last level: taken for the new unit's, it would be 330 mL that never came."""
    found = ledger(off(first, noted_off), changed(second, noted_on))
    assert (outputs(found), total(found)) == (["200", "130", "20"], "350")


@pytest.mark.parametrize(("first", "second"), IDS)
@pytest.mark.parametrize(("noted_out", "noted_on"), [(330, None), (None, 330), (330, 330)])
def test_removed_and_replaced_nothing_is_put_on(
    first: str, second: str, noted_out: int | None, noted_on: int | None
) -> None:
    found = ledger(out(first, noted_out), changed(second, noted_on), then=None)
    assert (outputs(found), total(found)) == (["200", "130"], "330")


def test_removed_and_charted_again_with_the_last_level() -> None:
    again = event("removed", "07:10", id="again", final_level=330)
    found = ledger(out("first"), again, then=None)
    assert (outputs(found), total(found)) == (["200", "130"], "330")


@pytest.mark.parametrize(("first", "second"), IDS)
def test_taken_off_and_removed(first: str, second: str) -> None:
    found = ledger(off(first), out(second, 330), then=None)
    assert (outputs(found), total(found)) == (["200", "130"], "330")


@pytest.mark.parametrize(("first", "second"), IDS)
def test_of_two_emptyings_of_a_minute_the_one_that_took_less_counts(first: str, second: str) -> None:
    """330 and 300: 100 came for certain, perhaps 130; where 300 is read in that minute, too, it is 100."""
    acts = (emptied(first, 330), emptied(second, 300))
    assert outputs(ledger(*acts)) == ["200", ">=100", "20"]
    found = ledger(level("07:00", 300), *acts)
    assert outputs(found) == ["200", "100", "20"]
    assert "readings-disagree" not in findings(found)


@pytest.mark.parametrize(("first", "second"), IDS)
def test_of_two_tips_of_a_minute_the_one_that_took_less_counts(first: str, second: str) -> None:
    """330 to 300 and 330 to 260: of what is at 320 at 08:00 20 have come since for certain, perhaps 60."""
    found = ledger(tipped(first, 330, 300), tipped(second, 330, 260), then=320)
    assert (outputs(found), total(found)) == (["200", "130", ">=20"], ">=350")


@pytest.mark.parametrize(("other", "wanted"), [(334, "130"), (335, ">=130")])
def test_two_of_a_minute_within_tolerance_say_the_same(other: int, wanted: str) -> None:
    """Two marks of 2 mL: two nurses stand at two heights."""
    assert outputs(ledger(emptied("a", 330), emptied("b", other))) == ["200", wanted, "20"]


def test_an_emptying_charted_again_says_nothing_of_a_reading() -> None:
    """Emptied at 06:50 from 330 and, charted again, at 07:00: the 60 read at 07:00 has come since, and 70 in all."""
    first = event("emptied", "06:50", id="first", level_before=330)
    found = ledger(first, level("07:00", 60), emptied("again", 330), then=70)
    assert (outputs(found), total(found)) == (["200", "130", "60", "10"], "400")


def test_an_emptying_of_a_unit_read_by_its_count_says_nothing_of_a_reading() -> None:
    counting = [
        collector("pump", "counting"),
        event("connected", "06:10", collector="pump", chamber="A", start_level=0, id="on"),
    ]
    count: Raw = {"counter": {"value": 300, "unit": "mL"}}
    reading: Raw = {
        "record": "reading",
        "id": "r",
        "drain": "drn-1",
        "at": "2026-03-02T07:00:00+00:00",
    } | count
    found = in_every_order([*counting, reading, emptied("a", 330)])
    assert total(found) == ">=300"
    assert findings(found) == {"closing-level-not-charted", "reads-otherwise"}


@pytest.mark.parametrize("kind", ["tipped", "emptied"])
def test_what_comes_after_an_act_with_no_level_says_nothing_of_a_reading(kind: str) -> None:
    """300 is read, then the unit is tipped or emptied, then it comes off with 0: 300 stands, nothing is lost."""
    act = tipped("a") if kind == "tipped" else emptied("a")
    found = ledger(level("07:00", 300), act, changed("b", 0))
    assert outputs(found)[:2] == ["200", "100"]
    assert "readings-disagree" not in findings(found)


@pytest.mark.parametrize(("first", "second"), IDS)
def test_of_two_emptyings_the_one_that_also_says_what_was_left_counts(first: str, second: str) -> None:
    """330 emptied down to 10, which is more than nothing: of the 20 at 08:00 at least 10 have come since."""
    found = ledger(emptied(first, 330), emptied(second, 330) | {"level_after": {"value": 10, "unit": "mL"}})
    assert outputs(found) == ["200", "130", ">=10"]
