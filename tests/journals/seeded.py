"""Journals by seed: fast, realistic, the same for the same seed. Raw records in the order in which they arrive.

Part of what `tests.journals.bedside` simulates is charted late, twice, wrongly or withdrawn. Profiles are those of
`tests.journals.rules`. `hourly_readings` is the benchmark's stream, on the profiles of mappings/.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from tests.journals.bedside import Bed, Unit, simulate_amounts, simulate_levels
from tests.journals.raw import Raw, millilitres, water

#: An ordinary day, and days before the clock changes of Lisbon.
_STARTS = (
    datetime(2026, 3, 2, 6, tzinfo=UTC),
    datetime(2026, 3, 28, 18, tzinfo=UTC),
    datetime(2026, 10, 24, 20, tzinfo=UTC),
)
_PATIENTS = "https://ward.example/mrn"
#: What may be corrected or withdrawn afterwards. Connections are left alone: without them nothing would be left.
_REVISABLE = ("sampled", "reinfused", "irrigated", "tipped", "emptied", "replaced", "weighed")


def journal(seed: int, size: int = 60) -> list[Raw]:
    """About `size` records of one to three drains, one of which may be charted by amounts only."""
    rng = random.Random(seed)
    start = rng.choice(_STARTS)
    count = rng.choice((1, 1, 2, 3))
    things: list[Raw] = []
    done: list[Raw] = []
    shared = rng.random() < 0.3 and count > 1
    if shared:
        things.append(Unit("shared", "adult-dual", "A").record())
    for number in range(count):
        bed = Bed(rng, f"d{number + 1}", start)
        amounts = number == 2 or (count == 1 and rng.random() < 0.2)
        if shared and number < 2:
            bed.unit = Unit("shared", "adult-dual", "AB"[number])
        (simulate_amounts if amounts else simulate_levels)(bed, max(4, size // count))
        things += [_drain(rng, bed.drain, amounts), *(unit.record() for unit in bed.units)]
        done += bed.sent
    done += _second_thoughts(rng, done)
    done.sort(key=lambda raw: str(raw.get("at", raw.get("made_at"))))
    return _arrival(rng, things + done)


def _drain(rng: random.Random, drain: str, amounts: bool) -> Raw:
    patient = {"system": _PATIENTS, "value": f"P-{rng.randrange(1000, 2000)}"}
    raw: Raw = {"record": "drain", "id": drain, "patient": patient, "time_zone": "Europe/Lisbon"}
    raw |= {"kind": "pleural", "side": rng.choice(("left", "right"))}
    if amounts:
        raw["reads"] = "volume"
    if rng.random() < 0.5:
        raw["weight"] = {"value": rng.randint(45, 110), "unit": "kg"}
    return raw


def _second_thoughts(rng: random.Random, sent: list[Raw]) -> list[Raw]:
    """Corrections and retractions of some of what was sent."""
    more: list[Raw] = []
    for raw in sent:
        if raw["record"] == "event" and raw["kind"] not in _REVISABLE:
            continue
        made = (datetime.fromisoformat(raw["at"]) + timedelta(minutes=rng.randint(5, 600))).isoformat()
        luck = rng.random()
        if luck < 0.03:
            more.append(
                {"record": "retraction", "id": f"x-{raw['id']}", "retracts": raw["id"], "made_at": made}
            )
        elif luck < 0.08 and raw["record"] == "reading":
            more.append(_corrected(rng, raw, made))
    return more


def _corrected(rng: random.Random, raw: Raw, made: str) -> Raw:
    whole = {name: value for name, value in raw.items() if name not in ("record", "id")}
    amount = next((name for name in ("level", "volume") if name in raw), None)
    if amount is not None:
        old: Decimal = raw[amount]["value"]
        whole[amount] = millilitres(max(Decimal(0), old + rng.choice((-20, -2, 2, 10))))
    return {
        "record": "correction",
        "id": f"c-{raw['id']}",
        "corrects": raw["id"],
        "made_at": made,
        "reading": whole,
    }


def _arrival(rng: random.Random, sent: list[Raw]) -> list[Raw]:
    """Mostly in the order of the times; some come late, some come twice."""
    placed: list[tuple[int, int, Raw]] = []
    for place, raw in enumerate(sent):
        late = rng.randint(1, 60) if rng.random() < 0.15 else 0
        placed.append((place + late, place, raw))
        if rng.random() < 0.03:
            placed.append((place + rng.randint(0, 40), place, raw))
    return [raw for _, _, raw in sorted(placed, key=lambda item: item[:2])]


def bedsides(drains: int = 50, start: datetime = _STARTS[0]) -> Iterator[Raw]:
    """The drains of a stream, each with a first unit of profile `adult-single` connected at `start`."""
    for number in range(drains):
        patient = {"system": _PATIENTS, "value": f"P-{2000 + number}"}
        yield {
            "record": "drain",
            "id": f"b{number}",
            "patient": patient,
            "label": "1",
            "kind": "pleural",
            "side": "left",
            "weight": {"value": 72, "unit": "kg"},
            "ward": "W3",
            "reads_every": "PT1H",
            "time_zone": "Europe/Lisbon",
        }
        yield {"record": "collector", "id": f"b{number}-u0", "profile": "adult-single"}
        yield {
            "record": "event",
            "id": f"b{number}-connected",
            "kind": "connected",
            "drain": f"b{number}",
            "collector": f"b{number}-u0",
            "chamber": "A",
            "at": start.isoformat(),
            "start_level": {"value": 0, "unit": "mL"},
        }


def hourly_readings(count: int, drains: int = 50, start: datetime = _STARTS[0]) -> Iterator[Raw]:
    """`count` readings of the shape of r-1 (DESIGN 3), hourly and in order, behind `bedsides(drains)`. A unit is
    replaced by a new one when it stands at 1900 mL; those records come on top."""
    yield from bedsides(drains, start)
    levels = [0] * drains
    units = [0] * drains
    for index in range(count):
        drain = index % drains
        hour = index // drains + 1
        when = (start + timedelta(hours=hour, seconds=drain)).isoformat()
        levels[drain] += (hour * 7 + drain * 3) % 6 * 10
        yield _whole_reading(drain, index, when, levels[drain], hour)
        if levels[drain] >= 1900:
            units[drain] += 1
            unit = f"b{drain}-u{units[drain]}"
            yield {"record": "collector", "id": unit, "profile": "adult-single"}
            yield {
                "record": "event",
                "id": f"b{drain}-change-{units[drain]}",
                "kind": "replaced",
                "drain": f"b{drain}",
                "collector": unit,
                "chamber": "A",
                "at": when,
                "final_level": {"value": levels[drain], "unit": "mL"},
            }
            levels[drain] = 0


def _whole_reading(drain: int, index: int, when: str, level: int, hour: int) -> Raw:
    return {
        "record": "reading",
        "id": f"r-{index}",
        "drain": f"b{drain}",
        "at": when,
        "level": {"value": level, "unit": "mL"},
        "suction": {"mode": "suction", "prescribed": water(-20), "indicator": "reached"},
        "air_leak": {"grade": hour % 3, "pattern": "intermittent" if hour % 3 else "none"},
        "tidaling": "present",
        "appearance": ["serosanguineous"],
        "observer": {"kind": "practitioner", "value": "N-88"},
    }
