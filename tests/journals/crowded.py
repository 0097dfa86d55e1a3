"""Crowded journals by seed: few records of one drain, minutes apart, with levels that nearly agree; what is charted is
often charted again, under another id, a little later or a little otherwise, and with a reading of its own.

`tests.journals.seeded` is true to a bedside, where acts of one minute and acts charted twice are rare; here they are
the rule. Raw records in the order in which they arrive, behind `SETUP`.
"""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from decimal import Decimal

from tests.journals.raw import Raw, collector, connected, drain, event, level, millilitres, replaced

SETUP = (drain(), collector("col-1"), collector("col-2"), collector("col-3"), connected("06:00", id="n0"))
#: Around tolerances, falls and the capacity of `adult-single`.
_LEVELS = (0, 2, 30, 32, 34, 300, 304, 310, 318, 320, 330, 400, 404, 1998, 2000)
#: After 06:30: many in the same minute, some at the edges of 15 minutes, 4 and 8 hours.
_MINUTES = (0, 0, 5, 5, 10, 10, 12, 15, 20, 40, 60, 60, 65, 120, 180, 240, 300, 480, 500)
_KINDS = (
    *("level",) * 9,
    *("emptied",) * 3,
    *("tipped",) * 3,
    *("replaced",) * 3,
    *("disconnected",) * 2,
    *("replaced whole",) * 2,
    *("sampled", "reinfused", "removed"),
)
_NAMES = "abcdefgh"


def journal(seed: int) -> list[Raw]:
    """Up to two dozen records; which of one minute comes first by id is left to chance."""
    rng = random.Random(seed)
    first = [_one(rng, number) for number in range(rng.randint(2, 9))]
    again = [more for number, raw in enumerate(first) for more in _again(rng, raw, number)]
    if rng.random() < 0.4:
        first = first[:3] + _slips(rng)
    return rng.sample(first + again, len(first + again))


def _one(rng: random.Random, number: int) -> Raw:
    minute = 390 + rng.choice(_MINUTES) + rng.choice((0, 0, 0, 60))
    clock, id = f"{minute // 60:02}:{minute % 60:02}", f"{rng.choice(_NAMES)}{number}"
    kind = rng.choice(_KINDS)
    if kind == "level":
        named = {"collector": rng.choice(("col-1", "col-2"))} if rng.random() < 0.12 else {}
        return level(clock, rng.choice(_LEVELS), id=id, **named)
    if kind == "replaced":
        unit = rng.choice(("col-1", "col-2", "col-3"))
        return replaced(clock, unit, _noted(rng), rng.choice((None, 0, 0, 30)), id=id)
    if kind == "replaced whole":
        return _whole(rng, clock, id)
    if kind == "sampled":
        return event(kind, clock, id=id, volume=rng.choice((10, 50)))
    if kind == "reinfused":
        return event(
            kind, clock, id=id, volume=rng.choice((10, 50)), collector=rng.choice(("col-1", "col-2"))
        )
    if kind in ("disconnected", "removed"):
        return event(kind, clock, id=id, final_level=_noted(rng))
    left = _noted(rng, 0.7 if kind == "tipped" else 0.1)
    return event(kind, clock, id=id, level_before=_noted(rng), level_after=left)


def _whole(rng: random.Random, clock: str, id: str) -> Raw:
    units = {"from_collector": rng.choice(("col-1", "col-2")), "collector": rng.choice(("col-2", "col-3"))}
    final = _noted(rng)
    levels = {"A": {} if final is None else {"final_level": millilitres(final)}}
    return event("replaced", clock, id=id, drain=None, **units) | {"levels": levels}


def _noted(rng: random.Random, share: float = 0.7) -> int | None:
    return rng.choice(_LEVELS) if rng.random() < share else None


def _slips(rng: random.Random) -> list[Raw]:
    """Five hours of a level that rises from 300, some of them with a slip of the pen, alone or beside the level."""
    found: list[Raw] = []
    for hour in range(5):
        true, slip = 300 + hour * rng.choice((2, 6, 10)), 30 + hour * rng.choice((0, 2))
        charted = rng.choice(((true,), (true,), (slip,), (slip, true), (slip, slip + 2)))
        for turn, value in enumerate(charted):
            found.append(level(f"{7 + hour:02}:00", value, id=f"{rng.choice(_NAMES)}-s{hour}-{turn}"))
    return found


def _read_off(rng: random.Random, raw: Raw, number: int) -> list[Raw]:
    """The unit that came off is read some minutes later, by two nurses at once."""
    at = datetime.fromisoformat(raw["at"]) + timedelta(minutes=rng.choice((1, 5, 240, 241)))
    ids = [f"{rng.choice(_NAMES)}-o{number}-{turn}" for turn in range(2)]
    unit = raw.get("from_collector", "col-1")
    return [level(f"{at:%H:%M}", rng.choice(_LEVELS), id=id, collector=unit) for id in ids]


def _again(rng: random.Random, raw: Raw, number: int) -> list[Raw]:
    """The same by one or two other nurses, who may note other levels and chart what they read besides."""
    if raw.get("kind") not in ("tipped", "emptied", "replaced", "disconnected") or rng.random() < 0.4:
        return []
    found = _read_off(rng, raw, number) if "level_before" not in raw and rng.random() < 0.3 else []
    for turn in range(rng.choice((1, 1, 2))):
        at = datetime.fromisoformat(raw["at"]) + timedelta(minutes=rng.choice((0, 3, 5, 10, 15, 16)))
        more = raw | {"id": f"{rng.choice(_NAMES)}-{number}-{turn}", "at": at.isoformat()}
        for name in ("level_before", "level_after", "final_level"):
            if name in more and rng.random() < 0.3:
                more[name] = _nearly(rng, more[name], (-20, -5, -4, -2, 2, 4, 5, 20))
        if "levels" in more:
            more["levels"] = {"A": rng.choice((more["levels"]["A"], {"final_level": millilitres(340)}))}
        found.append(more)
        if "level_before" in more and rng.random() < 0.6:
            read = _nearly(rng, more["level_before"], (0, 0, 2, 4, 5, -100))
            found.append(level(f"{at:%H:%M}", read["value"], id=f"{rng.choice(_NAMES)}-r{number}-{turn}"))
    return found


def _nearly(rng: random.Random, stated: Raw, off: tuple[int, ...]) -> Raw:
    return millilitres(max(Decimal(0), stated["value"] + rng.choice(off)))
