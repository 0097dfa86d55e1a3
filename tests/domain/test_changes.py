"""Who feeds which chamber: set aside, waiting, occupied, read after it came off (DESIGN 4 'Events')."""

from __future__ import annotations

import pytest

from tests.journals.books import book_of, findings, ledger_of, mappings, outputs, total
from tests.journals.raw import Raw, collector, connected, drain, event, level, millilitres, reading, replaced

RULES = mappings().rules
START = (drain(), collector("col-1"), collector("col-2"), connected("06:00"))


def journal(*raws: Raw) -> tuple[list[str], str, set[str]]:
    ledger = ledger_of(book_of([*START, *raws], RULES), "drn-1")
    return outputs(ledger), total(ledger), findings(ledger)


def test_a_change_with_no_level_in_the_minute_of_a_reading_loses_nothing() -> None:
    assert journal(level("07:00", 300), replaced("07:00", "col-2"), level("08:00", 20))[:2] == (
        ["300", "20"],
        "320",
    )


def test_the_level_that_a_change_states_beats_a_reading_of_its_minute() -> None:
    found = journal(level("07:00", 300), replaced("07:00", "col-2", final=340), level("08:00", 20))
    assert found == (["340", "20"], "360", {"readings-disagree"})
    change = replaced("07:30", "col-2", final=450)
    of_the_new = journal(level("07:00", 400), change, level("07:30", 0), level("08:00", 10))
    assert of_the_new[:2] == (["400", "50", "10"], "460")


def test_one_emptying_or_tip_charted_twice_counts_once() -> None:
    for kind, after in (("emptied", 10), ("tipped", 390)):
        left = 380 if kind == "tipped" else None
        acts = [event(kind, "07:30", id=name, level_before=420, level_after=left) for name in ("one", "two")]
        assert journal(level("07:00", 400), *acts, level("08:00", after))[:2] == (["400", "20", "10"], "430")
        bare = event(kind, "07:30", id="a-bare")
        assert journal(level("07:00", 400), bare, acts[0], level("08:00", after))[:2] == (
            ["400", "20", "10"],
            "430",
        )


def test_a_move_to_the_other_chamber_is_not_closed_by_the_new_ones_reading() -> None:
    raws = [
        drain(),
        collector("dual", "adult-dual"),
        connected("06:00", 0, "dual", chamber="A"),
        level("07:00", 40),
        event("replaced", "07:30", collector="dual", chamber="B"),
        level("08:00", 60, collector="dual"),
    ]
    assert outputs(ledger_of(book_of(raws, RULES), "drn-1")) == ["40", "?", "60"]


def test_a_reading_taken_for_a_final_level_is_said_to_be_used_whatever_came_between() -> None:
    raws = [
        *START,
        collector("col-3"),
        level("07:00", 400),
        replaced("07:30", "col-2"),
        replaced("07:40", "col-3", id="next"),
        level("07:50", 450, collector="col-1", id="late"),
    ]
    book = book_of(raws, RULES)
    assert outputs(ledger_of(book, "drn-1"))[1] == "50"
    late = next(node for node in ledger_of(book, "drn-1").nodes if node.key.id == "late")
    assert (late.status, late.findings) == ("used", ())


def test_a_unit_is_read_after_it_came_off() -> None:
    late = level("07:25", 340, collector="col-1")
    found = journal(level("07:00", 300), replaced("07:20", "col-2"), late, level("08:00", 20))
    assert found[:2] == (["300", "40", "20"], "360")


def test_a_unit_read_long_after_it_came_off_is_not_its_final_level() -> None:
    late = level("11:21", 340, collector="col-1")
    outs, _, codes = journal(level("07:00", 300), replaced("07:20", "col-2"), late, level("12:00", 20))
    assert outs == ["300", "?", "20"]
    assert "collector-not-in-place" in codes


def test_a_second_level_of_a_unit_that_came_off_is_a_check() -> None:
    late = level("07:25", 400, collector="col-1")
    change = replaced("07:20", "col-2", final=340)
    outs, _, codes = journal(level("07:00", 300), change, late, level("08:00", 20))
    assert outs == ["300", "40", "20"]
    assert "readings-disagree" in codes


def test_blood_given_back_between_coming_off_and_being_read_counts() -> None:
    raws = (
        level("07:00", 300),
        replaced("07:20", "col-2"),
        event("reinfused", "07:22", volume=100, collector="col-1"),
        level("07:25", 240, collector="col-1"),
        level("08:00", 20),
    )
    assert journal(*raws)[:2] == (["300", "40", "20"], "360")


def test_a_reading_of_a_unit_never_connected_waits() -> None:
    book = book_of([*START, level("07:00", 30, collector="col-9", id="r")], RULES)
    ledger = ledger_of(book, "drn-1")
    assert (ledger.waiting, findings(ledger)) == (1, {"unit-change-not-charted"})


def test_the_reading_that_waited_is_folded_in_when_the_change_is_charted() -> None:
    waits = level("07:00", 30, collector="col-2", id="r")
    assert journal(waits, replaced("06:30", "col-2", final=10))[:2] == (["10", "30"], "40")


def test_a_reading_in_the_minute_of_a_change_that_names_the_new_unit_belongs_to_it() -> None:
    raws = (
        replaced("07:00", "col-2", final=40, start=None),
        level("07:00", 5, collector="col-2"),
        level("08:00", 9),
    )
    outs, end, _ = journal(*raws)
    assert (outs, end) == (["40", "5", "4"], "49")


def test_two_nurses_chart_one_change() -> None:
    raws = (
        replaced("07:00", "col-2", final=40),
        replaced("07:05", "col-2", final=40, id="again"),
        level("08:00", 9),
    )
    outs, end, codes = journal(*raws)
    assert (outs, end) == (["40", "9"], "49")
    assert codes == {"already-in-place"}


def test_connected_while_connected_elsewhere_is_a_change_with_nothing_noted() -> None:
    raws = (level("07:00", 40), connected("07:30", None, "col-2", id="again"), level("08:00", 9))
    assert journal(*raws)[:2] == (["40", "?", "9"], ">=49")


def test_a_unit_that_comes_back_stands_at_a_level_that_must_be_noted() -> None:
    back = replaced("09:00", "col-1", final=10, start=None, id="back")
    raws = (level("07:00", 40), replaced("08:00", "col-2", final=50), back, level("10:00", 55))
    assert journal(*raws)[:2] == (["40", "10", "10", "?"], ">=60")
    noted = replaced("09:00", "col-1", final=10, start=50, id="back")
    assert journal(*raws[:2], noted, raws[3])[:2] == (["40", "10", "10", "5"], "65")


def test_an_occupied_chamber_can_not_be_connected_to() -> None:
    other = connected("07:00", 0, id="other", drain="drn-2")
    book = book_of([*START, drain("drn-2"), other, level("08:00", 40)], RULES)
    assert findings(ledger_of(book, "drn-2")) == {"chamber-occupied"}
    assert outputs(ledger_of(book, "drn-1")) == ["40"]


def test_when_the_first_drain_proves_to_have_left_the_second_is_connected_after_all() -> None:
    other = connected("07:00", 0, id="other", drain="drn-2")
    raws = [*START, drain("drn-2"), other, level("08:00", 40, drain="drn-2", id="r2")]
    book = book_of(raws, RULES)
    assert book.entries(ledger_of(book, "drn-2").nodes[0].key)[0].status == "set-aside"
    book = book_of([*raws, event("removed", "06:30")], RULES)
    assert outputs(ledger_of(book, "drn-2")) == ["40"]


def test_a_reading_after_removal_is_set_aside_but_the_unit_may_be_read() -> None:
    removed = event("removed", "08:00")
    assert journal(level("07:00", 40), removed, level("08:10", 70))[2] == {
        "closing-level-not-charted",
        "drain-removed",
    }
    assert journal(level("07:00", 40), removed, level("08:10", 70, collector="col-1"))[:2] == (
        ["40", "30"],
        "70",
    )


def test_what_is_charted_before_any_connection_waits_for_one() -> None:
    raws = [
        drain(),
        collector(),
        level("05:00", 40),
        event("emptied", "05:30"),
        event("disconnected", "05:40"),
    ]
    book = book_of(raws, RULES)
    assert ledger_of(book, "drn-1").waiting == 3


def test_a_tip_concerns_every_chamber_of_the_unit() -> None:
    pair = [
        drain("drn-1"),
        drain("drn-2"),
        collector("dual", "adult-dual"),
        connected("06:00", 0, "dual", chamber="A"),
        connected("06:00", 0, "dual", id="other", drain="drn-2", chamber="B"),
        level("07:00", 100),
        level("07:00", 50, drain="drn-2", id="r2"),
        event("tipped", "07:30", level_before=110, level_after=90),
        level("08:00", 95),
        level("08:00", 60, drain="drn-2", id="r3"),
    ]
    book = book_of(pair, RULES)
    assert outputs(ledger_of(book, "drn-1")) == ["100", "10", "5"]
    assert outputs(ledger_of(book, "drn-2")) == ["50", "?", "?"]
    own = event("tipped", "07:30", id="own", drain="drn-2", level_before=56, level_after=58)
    book = book_of([*pair, own], RULES)
    assert outputs(ledger_of(book, "drn-1")) == ["100", "10", "5"]
    assert outputs(ledger_of(book, "drn-2")) == ["50", "6", "2"]


def test_a_unit_with_two_chambers_is_changed_as_a_whole() -> None:
    change = event("replaced", "07:30", drain=None, from_collector="dual", collector="new")
    change["levels"] = {
        "A": {"final_level": millilitres(110)},
        "B": {"final_level": millilitres(56), "start_level": millilitres(0)},
    }
    raws = [
        drain("drn-1"),
        drain("drn-2"),
        collector("dual", "adult-dual"),
        collector("new", "adult-dual"),
        connected("06:00", 0, "dual", chamber="A"),
        connected("06:00", 0, "dual", id="other", drain="drn-2", chamber="B"),
        change,
        level("08:00", 95),
        level("08:00", 60, drain="drn-2", id="r3"),
    ]
    book = book_of(raws, RULES)
    assert outputs(ledger_of(book, "drn-1")) == ["110", "95"]
    assert outputs(ledger_of(book, "drn-2")) == ["56", "60"]
    parts = [node.interval.part for node in ledger_of(book, "drn-2").nodes if node.interval is not None]
    assert parts == ["B.", ""]


@pytest.mark.parametrize(
    ("stated", "after", "outs"),
    [(90, 30, ["80", "10", "5"]), (None, 30, ["80", "?", "5"]), (90, None, ["80", "10", "?"])],
)
def test_a_tip_closes_at_one_level_and_goes_on_from_another(
    stated: int | None, after: int | None, outs: list[str]
) -> None:
    tip = event("tipped", "07:30", level_before=stated, level_after=after)
    assert journal(level("07:00", 80), tip, level("08:00", 35))[0] == outs


def test_an_emptied_chamber_goes_on_from_nothing() -> None:
    emptied = event("emptied", "07:30", level_before=90)
    assert journal(level("07:00", 80), emptied, level("08:00", 35))[:2] == (["80", "10", "35"], "125")


def test_a_reading_of_nothing_but_air_needs_no_connection() -> None:
    book = book_of([drain(), reading("05:00", tidaling="present")], RULES)
    assert ledger_of(book, "drn-1").waiting == 0


def test_a_change_charted_as_an_end_and_a_start_of_one_minute_counts_once() -> None:
    ended = event("disconnected", "08:00", final_level=410)
    started = connected("08:00", 0, "col-2", id="start")
    found = journal(level("07:00", 400), ended, started, level("09:00", 20))
    assert found[:2] == (["400", "10", "20"], "430")


def test_a_reading_in_the_minute_of_a_start_elsewhere_belongs_to_the_old_unit() -> None:
    started = connected("08:00", 0, "col-2", id="start")
    found = journal(level("07:00", 400), level("08:00", 410), started, level("09:00", 20))
    assert found[:2] == (["400", "10", "20"], "430")


def test_a_chamber_left_and_taken_in_one_minute_is_taken() -> None:
    raws = [
        *START,
        drain("drn-2"),
        level("07:00", 40),
        event("removed", "08:00", final_level=50),
        connected("08:00", 50, "col-1", id="other", drain="drn-2"),
        level("09:00", 60, drain="drn-2", id="r2"),
    ]
    book = book_of(raws, RULES)
    assert outputs(ledger_of(book, "drn-1")) == ["40", "10"]
    assert outputs(ledger_of(book, "drn-2")) == ["10"]
