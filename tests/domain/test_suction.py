"""Prescribed, set and measured suction are three things (DESIGN 4 'Suction'): none is read as a change of another.

Worked by hand, in cm[H2O], more negative being more suction. `pressure-held-after-decrease` needs a *set* value that
was made less negative (-20, then -10) and a pressure still beyond it (-19). A prescription of -10 while the unit is set
to -20 lowers nothing: -20 is what the unit is set to and what is measured.
"""

from __future__ import annotations

import pytest

from tests.domain.test_two_at_once import in_every_order
from tests.journals.raw import Raw, event, reading, water

HELD = "pressure-held-after-decrease"
DIFFERS = "suction-differs-from-prescribed"


def told(*raws: Raw) -> list[tuple[str, str]]:
    ledger = in_every_order(raws)
    codes = (HELD, DIFFERS, "suction-not-reached", "vented-without-suction")
    return [(n.key.id, f.code) for n in ledger.nodes for f in n.findings if f.code in codes]


def seen(
    clock: str, *, pressure: int | None = None, mode: str | None = "suction", **values: int | str
) -> Raw:
    """A reading of the suction; numbers are pressures."""
    suction = {name: water(value) if isinstance(value, int) else value for name, value in values.items()}
    beside: Raw = {} if pressure is None else {"pressure": water(pressure)}
    return reading(clock, suction=({} if mode is None else {"mode": mode}) | suction, **beside)


def prescribed(clock: str, pressure: int | None = None) -> Raw:
    if pressure is None:
        return event("suction-prescribed", clock, mode="gravity")
    return event("suction-prescribed", clock, mode="suction", pressure=water(pressure))


def test_a_set_value_that_was_lowered_holds_the_pressure() -> None:
    assert told(seen("07:00", set=-20), seen("08:00", set=-10, pressure=-19)) == [("r-0800", HELD)]


def test_a_prescription_lowers_nothing_by_itself() -> None:
    raws = (seen("07:00", set=-20), prescribed("08:00", -10), seen("08:15", pressure=-20))
    assert told(*raws) == []


def test_a_prescription_in_a_reading_lowers_nothing_either() -> None:
    raws = (seen("07:00", prescribed=-20, set=-20), seen("08:00", prescribed=-10, pressure=-20))
    assert told(*raws) == []


def test_what_is_set_still_differs_from_what_is_prescribed() -> None:
    raws = (seen("07:00", set=-20), prescribed("08:00", -10), seen("08:15", set=-20, pressure=-20))
    assert told(*raws) == [("r-0815", DIFFERS)]


def test_a_prescription_of_more_does_not_hide_that_the_set_value_was_lowered() -> None:
    """Set -20, lowered to -10; -20 is prescribed again but nobody has set it: -19 is still held."""
    raws = (
        seen("07:00", set=-20),
        seen("08:00", set=-10),
        prescribed("08:10", -20),
        seen("08:15", pressure=-19),
    )
    assert told(*raws) == [("r-0815", HELD)]


def test_a_set_value_does_not_change_the_prescription() -> None:
    """-20 is prescribed; set to -10 it differs at 07:00, set to -20 at 08:00 it does not."""
    raws = (prescribed("06:30", -20), seen("07:00", set=-10), seen("08:00", set=-20))
    assert told(*raws) == [("r-0700", DIFFERS)]


def test_gravity_is_a_set_value_of_its_own() -> None:
    """Breathing alone draws to -10 on gravity, so only beyond that is the pressure held."""
    assert told(seen("07:00", set=-20), seen("08:00", mode="gravity", pressure=-11)) == [("r-0800", HELD)]
    assert told(seen("07:00", set=-20), seen("08:00", mode="gravity", pressure=-10)) == []


def test_back_on_suction_of_an_unknown_setting_nothing_is_held() -> None:
    """What the unit is set to after gravity is not charted: nobody can say that -19 is beyond it."""
    raws = (seen("07:00", set=-20), seen("08:00", mode="gravity"), seen("09:00", pressure=-19))
    assert told(*raws) == []


def test_gravity_that_is_prescribed_lowers_no_set_value() -> None:
    """What the unit is set to is not charted anew; that it is to be on gravity is."""
    raws = (seen("07:00", set=-20), prescribed("08:00"), seen("08:15", mode=None, pressure=-20))
    assert told(*raws) == []
    assert told(*raws, event("vented", "08:20")) == [("vented-0820", "vented-without-suction")]
    assert told(*raws[:2], seen("08:15", mode=None, indicator="not-reached")) == []
    assert told(*raws[:1], seen("08:15", mode=None, indicator="not-reached")) == [
        ("r-0815", "suction-not-reached")
    ]


def test_back_on_suction_the_set_value_is_what_it_was_before_a_prescription() -> None:
    """Gravity was prescribed and never seen: -20 at 07:00, -10 at 09:00, and -19 is beyond that."""
    raws = (seen("07:00", set=-20), prescribed("08:00"), seen("08:30"), seen("09:00", set=-10, pressure=-19))
    assert told(*raws) == [("r-0900", DIFFERS), ("r-0900", HELD)]


@pytest.mark.parametrize(("pressure", "wanted"), [(-10, []), (-11, [("r-0900", HELD)])])
def test_a_pressure_that_has_come_down_is_not_held(pressure: int, wanted: list[tuple[str, str]]) -> None:
    raws = (seen("07:00", set=-20), seen("08:00", set=-10), seen("09:00", pressure=pressure))
    assert told(*raws) == wanted


def test_once_shown_to_have_come_down_or_released_it_is_not_held_any_more() -> None:
    lowered = (seen("07:00", set=-20), seen("08:00", set=-10))
    assert told(*lowered, seen("09:00", pressure=-10), seen("10:00", pressure=-15)) == []
    assert told(*lowered, event("vented", "08:30"), seen("09:00", pressure=-15)) == []
