"""One emptying or tip charted by two nurses a few minutes apart (DESIGN 4 'Interval').

`adult-single`, connected 06:00 at 0. Worked by hand: 07:00 400, emptied at 07:40 from 420, the same again at 07:45
under another id, 08:00 10. A chamber that was emptied five minutes ago does not hold 420 mL again, so 400, 20, 10:
total 430, and not 850. With a level in between, or other levels, both are acts of their own.
"""

from __future__ import annotations

import pytest

from drainledger.domain.entries import DrainLedger
from tests.domain.test_two_at_once import SETUP, in_every_order
from tests.journals.books import book_of, ledger_of, outputs, total
from tests.journals.raw import Raw, event, level, retraction
from tests.journals.rules import RULES


def emptied(clock: str, before: int | None, id: str, after: int | None = None) -> Raw:
    return event("emptied", clock, id=id, level_before=before, level_after=after)


def tipped(clock: str, before: int | None, after: int | None, id: str) -> Raw:
    return event("tipped", clock, id=id, level_before=before, level_after=after)


def again(ledger: DrainLedger) -> dict[str, list[str]]:
    return {
        node.key.id: [f.text for f in node.findings if f.code == "charted-already"] for node in ledger.nodes
    }


USED = "The same is charted for this chamber at 07:40 by another entry, which is used"
TOLD = f"{USED}; the one at 07:45 is shown but not used."


def test_an_emptying_charted_again_counts_once() -> None:
    raws = [level("07:00", 400), emptied("07:40", 420, "a"), emptied("07:45", 420, "b"), level("08:00", 10)]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["400", "20", "10"], "430")
    assert again(ledger)["b"] == [TOLD]
    assert {node.key.id for node in ledger.nodes if node.status == "set-aside"} == {"b"}


def test_a_tip_charted_again_counts_once() -> None:
    """Counted twice, the 40 mL from 380 back to 420 would be invented."""
    raws = [
        level("07:00", 400),
        tipped("07:40", 420, 380, "a"),
        tipped("07:45", 420, 380, "b"),
        level("08:00", 390),
    ]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["400", "20", "10"], "430")
    assert again(ledger)["b"] == [TOLD]


@pytest.mark.parametrize(("clock", "wanted"), [("07:55", "430"), ("07:56", "850")])
def test_a_quarter_of_an_hour_is_the_limit(clock: str, wanted: str) -> None:
    raws = [level("07:00", 400), emptied("07:40", 420, "a"), emptied(clock, 420, "b"), level("08:00", 10)]
    assert total(in_every_order(raws)) == wanted


def test_a_level_read_in_between_makes_two_of_them() -> None:
    """0 at 07:40, 200 at 07:43, 420 at 07:45: 200 and 220 mL more."""
    raws = [emptied("07:40", 420, "a"), level("07:43", 200), emptied("07:45", 420, "b"), level("08:00", 10)]
    assert outputs(in_every_order(raws)) == ["420", "200", "220", "10"]


@pytest.mark.parametrize("clock", ["07:40", "07:45"])
def test_a_reading_in_the_minute_of_either_is_none_in_between(clock: str) -> None:
    """420 at 07:40 is of before the act. Of 420 at 07:45 as well: nothing says that the chamber filled again."""
    reading = level("07:40", 420) if clock == "07:40" else level("07:45", 0)
    raws = [
        level("07:00", 400),
        emptied("07:40", 420, "a"),
        reading,
        emptied("07:45", 420, "b"),
        level("08:00", 10),
    ]
    ledger = in_every_order(raws)
    assert total(ledger) == "430"
    assert again(ledger)["b"] == [TOLD]
    assert not [f for node in ledger.nodes for f in node.findings if f.code == "readings-disagree"]


@pytest.mark.parametrize(
    ("first", "second", "wanted"),
    [
        (emptied("07:40", 420, "a"), emptied("07:45", 30, "b"), ["400", "20", "30", "10"]),
        (tipped("07:40", 420, 380, "a"), tipped("07:45", 420, 400, "b"), ["400", "20", "40", "0"]),
        (tipped("07:40", 420, 0, "a"), emptied("07:45", 420, "b"), ["400", "20", "420", "10"]),
    ],
)
def test_other_levels_or_another_act_count(first: Raw, second: Raw, wanted: list[str]) -> None:
    """The last reading is 10, or the 400 that the second tip left: 0 since."""
    last = level("08:00", 400 if first["kind"] == second["kind"] == "tipped" else 10)
    assert outputs(in_every_order([level("07:00", 400), first, second, last])) == wanted


def test_three_nurses_chart_one_emptying() -> None:
    raws = [
        emptied("07:40", 420, "a"),
        emptied("07:45", 420, "b"),
        emptied("07:50", 420, "c"),
        level("08:00", 10),
    ]
    ledger = in_every_order(raws)
    assert outputs(ledger) == ["420", "10"]
    assert [id for id, texts in again(ledger).items() if texts] == ["b", "c"]


def test_a_third_is_reckoned_from_the_one_that_counts() -> None:
    """20 minutes after the first it is an emptying of its own: 420 + 420."""
    raws = [emptied("07:40", 420, "a"), emptied("07:50", 420, "b"), emptied("08:00", 420, "c")]
    ledger = in_every_order(raws)
    assert outputs(ledger) == ["420", "420"]
    assert [id for id, texts in again(ledger).items() if texts] == ["b"]


def test_with_no_level_stated_nothing_can_be_compared() -> None:
    """Neither says how much there was: nothing is invented either way, and both stay."""
    raws = [level("07:00", 400), emptied("07:40", None, "a"), emptied("07:45", None, "b"), level("08:00", 10)]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["400", "?", "?", "10"], ">=410")
    assert not any(again(ledger).values())


def test_when_the_first_is_withdrawn_the_second_counts() -> None:
    raws = [level("07:00", 400), emptied("07:40", 420, "a"), emptied("07:45", 420, "b"), level("08:00", 10)]
    ledger = in_every_order([*raws, retraction("a", "09:00")])
    assert (outputs(ledger), total(ledger)) == (["400", "20", "10"], "430")
    assert not any(again(ledger).values())


def test_a_change_of_unit_in_between_makes_two_of_them() -> None:
    raws = [
        emptied("07:40", 420, "a"),
        event("disconnected", "07:42", final_level=0),
        event("connected", "07:43", collector="col-1", chamber="A", start_level=400, id="back"),
        emptied("07:45", 420, "b"),
    ]
    assert outputs(in_every_order(raws)) == ["420", "0", "20"]


def marks(ledger: DrainLedger, id: str) -> list[tuple[str, bool, str | None]]:
    """The levels that a record states: mL, used, why not."""
    return [
        (f"{m.value:f}", m.used, m.why) for node in ledger.nodes if node.key.id == id for m in node.levels
    ]


def test_each_nurse_reads_before_she_charts_the_tip() -> None:
    """Both chart 400 and the tip from 400 to 300; 310 at 08:00. The second 400 did not run in within 5 minutes: it is
    what the first nurse read. 400, and 10 since: 410."""
    raws = [
        *(level("07:40", 400, id="r-1"), tipped("07:40", 400, 300, "a")),
        *(level("07:45", 400, id="r-2"), tipped("07:45", 400, 300, "b")),
        level("08:00", 310),
    ]
    ledger = in_every_order(raws)
    assert (outputs(ledger), total(ledger)) == (["400", "10"], "410")
    assert again(ledger)["r-2"] == again(ledger)["b"] == [TOLD]
    assert marks(ledger, "r-2") == [("400", False, "charted-already")]


@pytest.mark.parametrize(("read", "wanted"), [(404, ["400", "10"]), (405, ["400", "105", "?"])])
def test_what_is_read_with_an_act_charted_again_is_of_it_within_tolerance(
    read: int, wanted: list[str]
) -> None:
    """Two marks of 2 mL. Beyond, somebody read something else: from the 300 that the tip left to 405."""
    raws = [
        tipped("07:40", 400, 300, "a"),
        *(level("07:45", read, id="r-2"), tipped("07:45", 400, 300, "b")),
        level("08:00", 310),
    ]
    assert outputs(in_every_order(raws)) == wanted


def test_what_is_read_in_its_minute_of_after_the_act_is_an_anchor() -> None:
    raws = [
        emptied("07:40", 420, "a"),
        *(level("07:45", 420, id="r-1"), level("07:45", 6, id="r-2"), emptied("07:45", 420, "b")),
        level("08:00", 10),
    ]
    ledger = in_every_order(raws)
    assert outputs(ledger) == ["420", "6", "4"]
    assert marks(ledger, "r-1") == [("420", False, "charted-already")]


def test_three_nurses_read_and_chart_it() -> None:
    """The readings of the second and the third are none in between: all three chart one act."""
    raws = [
        raw
        for clock, name in (("07:40", "a"), ("07:45", "b"), ("07:50", "c"))
        for raw in (level(clock, 400, id=f"r-{name}"), tipped(clock, 400, 300, name))
    ]
    ledger = in_every_order([*raws, level("08:00", 310)])
    assert (outputs(ledger), total(ledger)) == (["400", "10"], "410")


@pytest.mark.parametrize(("again_from", "wanted"), [(424, ["420", ">=10"]), (425, ["420", "425", "10"])])
def test_two_nurses_stand_at_two_heights(again_from: int, wanted: list[str]) -> None:
    """Two marks of 2 mL. Where what is set aside is not quite the same, what is counted is the least that came."""
    raws = [
        emptied("07:40", 420, "a"),
        emptied("07:45", again_from, "b"),
        level("08:00", 10),
        level("09:00", 30),
    ]
    ledger = in_every_order(raws)
    assert outputs(ledger) == [*wanted, "20"]


def test_the_levels_of_what_is_set_aside_are_shown() -> None:
    raws = [tipped("07:40", 420, 380, "a"), tipped("07:45", 420, 380, "b"), tipped("07:45", 420, None, "c")]
    ledger = in_every_order([*raws, level("08:00", 390)])
    assert (outputs(ledger), total(ledger)) == (["420", "10"], "430")
    assert marks(ledger, "b") == [("420", False, "charted-already"), ("380", False, "charted-already")]
    assert marks(ledger, "c") == [("420", False, "charted-already")]
    told = [f for node in ledger.nodes if node.key.id == "b" for f in node.findings]
    assert [(ground.what, ground.part) for ground in told[0].grounds] == [
        ("level", "before"),
        ("level", "after"),
    ]


def test_an_emptying_of_a_minute_that_does_not_count_shows_its_levels() -> None:
    ledger = in_every_order([emptied("07:40", 420, "a"), emptied("07:40", 420, "b"), level("08:00", 10)])
    assert outputs(ledger) == ["420", "10"]
    assert marks(ledger, "b") == [("420", False, "charted-already")]


def test_the_second_nurse_did_not_note_what_was_left() -> None:
    """Counted, the 40 mL from 380 back to 420 would be invented; set aside, at least 10 have come since."""
    raws = [tipped("07:40", 420, 380, "a"), tipped("07:45", 420, None, "b"), level("08:00", 390)]
    assert outputs(in_every_order(raws)) == ["420", ">=10"]


def test_the_first_nurse_did_not_note_what_was_left() -> None:
    """The second says more and invents nothing: unknown from the one to the other, and 10 since."""
    raws = [tipped("07:40", 420, None, "a"), tipped("07:45", 420, 380, "b"), level("08:00", 390)]
    assert outputs(in_every_order(raws)) == ["420", "?", "10"]


def test_at_capacity_the_same_mark_says_little() -> None:
    """Tipped from full to 1900 twice: 100 mL may have run in within 5 minutes, or one tip is charted twice. Counted
    once, nothing is invented: at least 20 have come since."""
    raws = [tipped("07:40", 2000, 1900, "a"), tipped("07:45", 2000, 1900, "b"), level("08:00", 1920)]
    ledger = in_every_order(raws)
    assert outputs(ledger) == [">=2000", ">=20"]
    assert [id for id, texts in again(ledger).items() if texts] == ["b"]


def test_a_hundred_emptyings_of_one_quarter_of_an_hour_are_told_in_no_time() -> None:
    """One a second: all but the first chart it again. Each must cost the same, however many there were before: were
    each to ask anew whether those before it count, 100 would take longer than anybody lives."""
    many = [emptied("07:40", 420, f"e{second:03}") for second in range(100)]
    for second, raw in enumerate(many):
        raw["at"] = f"2026-03-02T07:{40 + second // 60}:{second % 60:02}+00:00"
    ledger = ledger_of(book_of([*SETUP, *many, level("08:00", 10)], RULES), "drn-1")
    assert outputs(ledger) == ["420", "10"]
    assert len([texts for texts in again(ledger).values() if texts]) == 99
