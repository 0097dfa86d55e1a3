"""A slip of the pen and what is read or stated after it (DESIGN 4 'One reading alone').

`adult-single`, connected 06:00 at 0, 300 read at 07:00 and 30 at 08:00. Worked by hand for each test: were the 30
right, the unit would have been changed, and what the next level tells decides.
"""

from __future__ import annotations

import itertools

import pytest

from tests.domain.test_two_at_once import found, in_every_order
from tests.journals.books import outputs, total
from tests.journals.raw import Raw, collector, event, level, replaced

SLIP = (level("07:00", 300), level("08:00", 30))


@pytest.mark.parametrize(("low", "high"), list(itertools.permutations("ab")))
def test_of_two_at_once_the_one_that_would_count_judges_the_reading_before(low: str, high: str) -> None:
    """32 and 320 at 09:00, then 318 and 330: without the 30 it is the 320 that counts, for 32 alone would make the
    level fall. So 30 and 32 are slips, and what came is 330: at least, as always where one reading is set aside."""
    both = [level("09:00", 32, id=low), level("09:00", 320, id=high)]
    ledger = in_every_order([*SLIP, *both, level("10:00", 318), level("11:00", 330)])
    assert (outputs(ledger), total(ledger)) == (["300", ">=20", "0", "10"], ">=330")
    told = {height: codes for height, codes in found(ledger).items() if codes}
    assert told == {30: ["suspected-misread"], 32: ["readings-disagree"], 318: ["within-reading-tolerance"]}


def test_where_both_at_once_would_be_low_the_unit_was_changed() -> None:
    """32 and 34 at 09:00: two more that say so, and 340 at 10:00 has run in since. 300, unknown, 2, 308."""
    both = [level("09:00", 32, id="a"), level("09:00", 34, id="b")]
    ledger = in_every_order([*SLIP, *both, level("10:00", 340)])
    assert (outputs(ledger), total(ledger)) == (["300", "?", "2", "308"], ">=610")


@pytest.mark.parametrize(("last", "wanted"), [("16:00", ">=330"), ("16:01", ">=600")])
def test_it_looks_eight_hours_ahead(last: str, wanted: str) -> None:
    """08:00 300, 09:00 30, 12:00 32 and 320: four hours after the first, and which of the two counts is told by what is
    read within four hours more. Later than that the lower stands: 300, unknown, 2, 298."""
    both = [level("12:00", 32, id="a"), level("12:00", 320, id="b")]
    ledger = in_every_order([level("08:00", 300), level("09:00", 30), *both, level(last, 330)])
    assert total(ledger) == wanted


UNITS = (collector("col-2"),)


def change(final: int | None, clock: str = "08:30", id: str = "on") -> Raw:
    return replaced(clock, "col-2", final=final, id=id)


def test_the_last_level_of_the_unit_judges_the_reading_before() -> None:
    """320 when it came off at 08:30, 20 in the new one since: at least 20 to 08:30, and 20: 340. Were the 30 right, it
    would be 290 + 20 more."""
    ledger = in_every_order([*UNITS, *SLIP, change(320), level("09:00", 20)])
    assert (outputs(ledger), total(ledger)) == (["300", ">=20", "20"], ">=340")
    told = next(f for node in ledger.nodes for f in node.findings)
    assert told.code == "suspected-misread"
    assert (
        "at least 20 mL since 07:00 if 30 mL was misread; at least 290 mL if the unit was changed"
        in told.text
    )
    assert [(ground.owner.id, ground.part) for ground in told.grounds][-1] == ("on", "final")


@pytest.mark.parametrize(
    ("act", "after", "wanted"),
    [
        (event("emptied", "08:30", level_before=320), 20, [">=20", "20"]),
        (event("tipped", "08:30", level_before=320, level_after=300), 320, [">=20", "20"]),
        (event("disconnected", "08:30", final_level=320), None, [">=20"]),
        (event("removed", "08:30", final_level=320), None, [">=20"]),
    ],
)
def test_any_act_that_says_how_much_there_was_judges_it(
    act: Raw, after: int | None, wanted: list[str]
) -> None:
    last = [] if after is None else [level("09:00", after)]
    assert outputs(in_every_order([*SLIP, act, *last])) == ["300", *wanted]


def test_an_act_of_its_own_minute_does_not_judge_it() -> None:
    """Of that minute the act's level stands and the reading is not used: 300 to 320, exact."""
    ledger = in_every_order([*UNITS, *SLIP, change(320, "08:00"), level("09:00", 20)])
    assert (outputs(ledger), total(ledger)) == (["300", "20", "20"], "340")


def test_an_act_with_no_level_judges_nothing() -> None:
    """Nobody can tell a slip from a change: 300, unknown, unknown, 20."""
    ledger = in_every_order([*UNITS, *SLIP, change(None), level("09:00", 20)])
    assert (outputs(ledger), total(ledger)) == (["300", "?", "?", "20"], ">=320")


def test_an_act_that_falls_too_confirms_it() -> None:
    """30 at 08:00 and 40 when it came off: a unit was changed. 300, unknown, 10, 20."""
    ledger = in_every_order([*UNITS, *SLIP, change(40), level("09:00", 20)])
    assert (outputs(ledger), total(ledger)) == (["300", "?", "10", "20"], ">=330")


@pytest.mark.parametrize(("clock", "wanted"), [("11:00", ">=320"), ("11:01", ">=590")])
def test_an_act_within_four_hours_judges_it(clock: str, wanted: str) -> None:
    """Four hours after 07:00: 300 and 20, else 300 and 290 more than 30."""
    assert total(in_every_order([*UNITS, *SLIP, change(320, clock)])) == wanted


def test_a_last_level_charted_afterwards_judges_it_too() -> None:
    """Off at 08:30 with nothing noted, and read at 08:40: 310, 10 mL having been given back from it at 08:35."""
    given = event("reinfused", "08:35", volume=10, collector="col-1")
    late = level("08:40", 310, collector="col-1")
    news = [level(f"08:{minute}", 20, id=f"new-{minute}") for minute in (31, 32, 33, 36, 37)]
    ledger = in_every_order([*UNITS, *SLIP, change(None), *news, given, late])
    assert (outputs(ledger)[:3], total(ledger)) == (["300", ">=20", "20"], ">=340")


def test_of_two_at_once_the_one_that_fits_what_an_act_states_stands() -> None:
    """300 at 07:00, 30 and 310 at 08:00, 320 when it was emptied: 300, 10, 10."""
    both = [level("08:00", 30, id="a"), level("08:00", 310, id="b")]
    emptied = event("emptied", "08:30", level_before=320)
    assert outputs(in_every_order([SLIP[0], *both, emptied])) == ["300", "10", "10"]
