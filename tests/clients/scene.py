"""What the clients find: a patient with two drains over the day on which clocks go forward in Lisbon, with changed and
tipped units, a late entry and a correction; and one with a drain that was read often enough to page through."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

Raw = dict[str, Any]

SYSTEM = "https://ward.example/mrn"
PATIENT = "P-2001"
MANY = "P-2002"
DRAINS = ("drn-left", "drn-right")
MANY_DRAIN = "drn-long"
#: Each gives a panel, a level, an interval, a total and a rate: 10,000 Observations, and those of the windows besides.
MANY_READINGS = 2_000
#: 2026-03-29 has 23 hours there (IANA time zone database).
ZONE = ZoneInfo("Europe/Lisbon")
DAY = (datetime(2026, 3, 29, tzinfo=ZONE), datetime(2026, 3, 30, tzinfo=ZONE))
CORRECTED = "drn-left-20"
#: When the two drains were last read.
END = datetime(2026, 3, 30, 7, tzinfo=ZONE)


def scene() -> list[Raw]:
    """The records, in an order in which nothing waits."""
    return [*_drain("drn-left", "left", 1), *_drain("drn-right", "right", 2), *_long()]


def _start(drain: str, side: str, patient: str, unit: str, at: datetime) -> list[Raw]:
    return [
        {
            "record": "drain",
            "id": drain,
            "patient": {"system": SYSTEM, "value": patient},
            "label": side,
            "kind": "pleural",
            "side": side,
            "ward": "W3",
            "time_zone": "Europe/Lisbon",
        },
        {"record": "collector", "id": unit, "profile": "adult-single"},
        {
            "record": "event",
            "id": f"{drain}-connected",
            "kind": "connected",
            "drain": drain,
            "collector": unit,
            "chamber": "A",
            "at": at.isoformat(),
            "start_level": _ml(0),
        },
    ]


def _drain(drain: str, side: str, seed: int) -> list[Raw]:
    rng = Random(seed)
    at, level, unit = datetime(2026, 3, 28, 6, tzinfo=ZONE), 0, 1
    told = _start(drain, side, PATIENT, f"{drain}-u1", at)
    for hour in range(1, 49):
        # An hour later on the clock of the world: wall time would skip or repeat one.
        at = datetime.fromtimestamp(at.timestamp() + 3600, ZONE)
        level += 2 * rng.randrange(40)
        told.append(_reading(f"{drain}-{hour}", drain, at, level))
        if hour == 22:
            told.append(
                {"record": "event", "id": f"{drain}-tip", "kind": "tipped", "drain": drain}
                | {"at": (at + timedelta(minutes=20)).isoformat()}
                | {"level_before": _ml(level + 2), "level_after": _ml(level - 40)}
            )
            level -= 40
        if hour == 30:
            unit += 1
            # Nobody wrote down what the old unit held: the total of that day is a lower bound.
            told += [
                {"record": "collector", "id": f"{drain}-u{unit}", "profile": "adult-single"},
                {"record": "event", "id": f"{drain}-new", "kind": "replaced", "drain": drain}
                | {"at": (at + timedelta(minutes=10)).isoformat(), "collector": f"{drain}-u{unit}"},
            ]
            level = 0
    late = told.pop(10)
    told.append(late)
    if drain == "drn-left":
        wrong = next(record for record in told if record["id"] == CORRECTED)
        right = wrong | {"level": _ml(int(wrong["level"]["value"]) - 2)}
        told.append(
            {"record": "correction", "id": "c-1", "corrects": CORRECTED}
            | {"made_at": at.isoformat(), "reading": {k: v for k, v in right.items() if k != "record"}}
        )
    return told


def _long() -> list[Raw]:
    at, level, unit = datetime(2026, 1, 1, tzinfo=ZONE), 0, 1
    told = _start(MANY_DRAIN, "left", MANY, "long-u1", at)
    for number in range(1, MANY_READINGS + 1):
        at += timedelta(minutes=30)
        level += 10
        told.append(_reading(f"long-{number}", MANY_DRAIN, at, level))
        if level >= 1800:
            unit += 1
            at_change = (at + timedelta(minutes=1)).isoformat()
            told += [
                {"record": "collector", "id": f"long-u{unit}", "profile": "adult-single"},
                {"record": "event", "id": f"long-new-{unit}", "kind": "replaced", "drain": MANY_DRAIN}
                | {"at": at_change, "collector": f"long-u{unit}", "final_level": _ml(level)},
            ]
            level = 0
    return told


def _reading(id: str, drain: str, at: datetime, level: int) -> Raw:
    return {"record": "reading", "id": id, "drain": drain, "at": at.isoformat(), "level": _ml(level)}


def _ml(value: int) -> Raw:
    return {"value": value, "unit": "mL"}
