"""A bed, simulated: fluid collects, somebody reads it with noise and slips of the pen, things are done to the unit.

Records come out in the order of their times, true to the simulation; `tests.journals.seeded` makes a journal of them.
Volumes are tenths of a mL here, so that everything is a whole number.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from tests.journals.raw import Raw, millilitres, water

_CAPACITY = {"adult-single": 20000, "adult-dual": 10000, "infant": 2000}
#: Up to which level the finer marks go, the finer and the coarser step. The same as in tests.journals.rules.
_MARKS = {"adult-single": (5000, 20, 100), "adult-dual": (2000, 20, 100), "infant": (500, 5, 10)}
_REASONS = ("foam", "covered", "tilted")
_FLUIDS = ("serous", "serosanguineous", "sanguineous", "purulent", "clots")


def tenths(value: int) -> Raw:
    return millilitres(Decimal(value) / 10)


@dataclass
class Unit:
    """A collection unit and the chamber that this drain feeds; `held` is what it truly holds."""

    id: str
    profile: str
    chamber: str
    held: int = 0

    @property
    def capacity(self) -> int:
        return _CAPACITY[self.profile]

    @property
    def half_mark(self) -> int:
        fine_to, fine, coarse = _MARKS[self.profile]
        return (fine if self.held <= fine_to else coarse) // 2

    def record(self) -> Raw:
        return {"record": "collector", "id": self.id, "profile": self.profile, "serial": f"S-{self.id}"}


@dataclass
class Bed:
    """One drain's simulation. `sent` are its readings and events, `units` the collectors that it used."""

    rng: random.Random
    drain: str
    now: datetime
    unit: Unit | None = None
    clamped: bool = False
    sent: list[Raw] = field(default_factory=list)
    units: list[Unit] = field(default_factory=list)

    @property
    def in_place(self) -> Unit:
        assert self.unit is not None
        return self.unit

    def send(self, record: str, **fields: object) -> Raw:
        raw: Raw = {"record": record, "id": f"{self.drain}-{len(self.sent):04d}"}
        raw.update({"drain": self.drain, "at": self.now.isoformat()})
        raw.update({name: value for name, value in fields.items() if value is not None})
        self.sent.append(raw)
        return raw

    def event(self, kind: str, **fields: object) -> Raw:
        return self.send("event", kind=kind, **fields)

    def takes_a_new_unit(self) -> Unit:
        profile = self.rng.choice(("adult-single", "adult-single", "adult-dual", "infant"))
        chamber = self.rng.choice("AB") if profile == "adult-dual" else "A"
        self.unit = Unit(f"{self.drain}-u{len(self.units) + 1}", profile, chamber)
        self.units.append(self.unit)
        return self.unit

    def connects(self) -> None:
        unit = self.in_place
        start = tenths(unit.held // 20 * 20) if self.rng.random() < 0.7 else None
        self.event("connected", start_level=start, collector=unit.id, chamber=unit.chamber)

    def passes(self) -> None:
        """Time goes on and fluid runs, unless the tube is clamped."""
        minutes = self.rng.choice((0, 1, 10, 20, 30, 45, 60, 60, 60, 90, 120, 240, 420))
        self.now += timedelta(minutes=minutes)
        if self.unit is not None and not self.clamped:
            self.pours(self.rng.randint(0, 2 if self.unit.profile == "infant" else 12) * minutes)

    def pours(self, amount: int) -> None:
        self.in_place.held = min(self.in_place.held + amount, self.in_place.capacity)

    def charted(self) -> int:
        """The level as somebody charts it: to half a mark, with noise, now and then quite wrong."""
        unit, half, slip = self.in_place, self.in_place.half_mark, self.rng.random()
        seen = unit.held + self.rng.randint(-2, 2) * half
        if slip < 0.03:
            seen = seen * 10 if seen * 10 < unit.capacity else seen // 10
        elif slip < 0.05:
            seen = self.rng.randrange(unit.capacity)
        elif slip < 0.06:
            seen = unit.capacity * 104 // 100
        elif slip < 0.065:
            seen = unit.capacity * 12 // 10
        return max(0, seen) // half * half + (3 if slip > 0.98 else 0)

    def noted(self, share: float = 0.6) -> Raw | None:
        """What the unit truly holds, to half a mark, where it was noted at all."""
        half = self.in_place.half_mark
        return tenths(self.in_place.held // half * half) if self.rng.random() < share else None


def _reads(bed: Bed) -> None:
    bed.send("reading", level=tenths(bed.charted()), **_beside(bed.rng))


def _cannot_read(bed: Bed) -> None:
    bed.send("reading", level_not_read=bed.rng.choice(_REASONS))


def _reads_twice(bed: Bed) -> None:
    _reads(bed)
    _reads(bed)


def _samples(bed: Bed) -> None:
    drawn = min(bed.in_place.held, bed.rng.choice((20, 50, 100)))
    if drawn:
        bed.in_place.held -= drawn
        bed.event("sampled", volume=tenths(drawn))


def _gives_back(bed: Bed) -> None:
    given = bed.in_place.held // 20 * 10
    if given:
        bed.in_place.held -= given
        stated = tenths(given) if bed.rng.random() < 0.7 else None
        bed.event("reinfused", volume=stated, collector=bed.in_place.id)


def _irrigates(bed: Bed) -> None:
    bed.event("irrigated", volume=tenths(500))
    bed.pours(500)


def _clamps(bed: Bed) -> None:
    bed.event("unclamped" if bed.clamped else "clamped")
    bed.clamped = not bed.clamped


def _tips(bed: Bed) -> None:
    before = bed.noted()
    bed.in_place.held = bed.in_place.held * bed.rng.choice((9, 10)) // 10
    after = bed.noted()
    if bed.rng.random() < 0.3:
        levels = _stated(level_before=before, level_after=after)
        del bed.event("tipped", collector=bed.in_place.id, levels={bed.in_place.chamber: levels})["drain"]
    else:
        bed.event("tipped", level_before=before, level_after=after)


def _empties(bed: Bed) -> None:
    bed.event("emptied", level_before=bed.noted())
    bed.in_place.held = 0


def _changes(bed: Bed) -> None:
    """A new unit: charted as `replaced`, or by the old unit, or as `connected` with nothing noted of the old."""
    final, old, new = bed.noted(), bed.in_place, bed.takes_a_new_unit()
    new.held = bed.rng.choice((0, 0, 0, 200))
    start = tenths(new.held) if new.held else bed.rng.choice((None, tenths(0)))
    way = bed.rng.random()
    if way < 0.7:
        bed.event("replaced", final_level=final, start_level=start, collector=new.id, chamber=new.chamber)
    elif way < 0.85 and old.chamber == new.chamber:
        levels = {old.chamber: _stated(final_level=final, start_level=start)}
        del bed.event("replaced", from_collector=old.id, collector=new.id, levels=levels)["drain"]
    else:
        bed.event("connected", start_level=start, collector=new.id, chamber=new.chamber)


def _charts_the_change_again(bed: Bed) -> None:
    unit = bed.in_place
    bed.event("replaced", final_level=tenths(unit.held // 100 * 100), collector=unit.id, chamber=unit.chamber)


def _comes_off(bed: Bed) -> None:
    """The unit comes off, and the same one or another goes on some minutes later."""
    bed.event("disconnected", final_level=bed.noted())
    old, bed.unit = bed.unit, None
    bed.now += timedelta(minutes=bed.rng.randint(1, 90))
    if bed.rng.random() < 0.3:
        bed.unit = old
    else:
        bed.takes_a_new_unit()
    bed.connects()


def _notes(bed: Bed) -> None:
    """Events that move no fluid."""
    kind = bed.rng.choice(("milked", "vented", "weighed", "suction-prescribed"))
    if kind == "weighed":
        bed.event(kind, weight={"value": bed.rng.randint(40, 110), "unit": "kg"})
    elif kind == "suction-prescribed":
        bed.event(kind, mode="suction", pressure=water(-20))
    else:
        bed.event(kind)


def _stated(**levels: Raw | None) -> Raw:
    return {name: value for name, value in levels.items() if value is not None}


def _beside(rng: random.Random) -> dict[str, object]:
    """What a reading may carry beside its level."""
    if rng.random() < 0.6:
        return {}
    return {
        "suction": {"mode": "suction", "prescribed": water(-20), "indicator": "reached"},
        "air_leak": {"pattern": rng.choice(("none", "intermittent", "continuous"))},
        "tidaling": rng.choice(("present", "absent")),
        "appearance": [rng.choice(_FLUIDS)],
    }


#: What may be done next, and how often of a hundred.
_DOINGS: tuple[tuple[int, Callable[[Bed], None]], ...] = (
    (60, _reads),
    (3, _cannot_read),
    (3, _reads_twice),
    (5, _samples),
    (4, _gives_back),
    (5, _irrigates),
    (4, _clamps),
    (3, _tips),
    (2, _empties),
    (5, _changes),
    (1, _charts_the_change_again),
    (2, _comes_off),
    (3, _notes),
)


def simulate_levels(bed: Bed, size: int) -> None:
    """Some `size` records of a drain whose chamber is read."""
    if bed.unit is None:
        bed.takes_a_new_unit()
    bed.connects()
    weights, doings = zip(*_DOINGS, strict=True)
    while len(bed.sent) < size:
        bed.passes()
        bed.rng.choices(doings, weights)[0](bed)
    if bed.rng.random() < 0.4:
        bed.passes()
        bed.event("removed", final_level=bed.noted())


def simulate_amounts(bed: Bed, size: int) -> None:
    """Some `size` records of a drain of which only worked-out amounts are charted."""
    last = bed.now
    while len(bed.sent) < size:
        bed.now += timedelta(minutes=bed.rng.choice((10, 30, 60, 60, 60, 120)))
        if bed.rng.random() < 0.1:
            bed.event("irrigated", volume=tenths(200))
            continue
        period: dict[str, object] = {}
        if bed.rng.random() < 0.2:
            period["from"] = (last + (bed.now - last) / 2).replace(microsecond=0).isoformat()
        bed.send("reading", volume=tenths(bed.rng.randint(0, 600)), **period)
        last = bed.now
