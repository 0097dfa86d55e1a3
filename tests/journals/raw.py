"""Raw records, as a source would send them, in few words: dicts of DESIGN 3 that the tests turn into NDJSON.

Instants are written as clock times of 2026-03-02 (Lisbon, where the clock then stands at UTC): "07:00", and
"1+07:00" for the day after. Ids default to the kind and the time, so that a test can name what it sent.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

Raw = dict[str, Any]
Amount = int | str | Decimal

FIRST_DAY = datetime(2026, 3, 2, tzinfo=UTC)
DRAIN = "drn-1"
UNIT = "col-1"


def instant(clock: str) -> datetime:
    """The instant that "07:00" or "1+07:00" names."""
    day, _, time = clock.rpartition("+")
    hours, minutes = time.split(":")
    return FIRST_DAY + timedelta(days=int(day or 0), hours=int(hours), minutes=int(minutes))


def at(clock: str) -> str:
    """The same as a record writes it."""
    return instant(clock).isoformat()


def millilitres(value: Amount) -> Raw:
    return {"value": Decimal(value), "unit": "mL"}


def water(value: Amount) -> Raw:
    """A pressure in cm[H2O]."""
    return {"value": Decimal(value), "unit": "cm[H2O]"}


def drain(id: str = DRAIN, **fields: Any) -> Raw:
    patient = {"system": "https://ward.example/mrn", "value": "P-1042"}
    return {"record": "drain", "id": id, "patient": patient, "time_zone": "Europe/Lisbon", **fields}


def collector(id: str = UNIT, profile: str = "adult-single", **fields: Any) -> Raw:
    return {"record": "collector", "id": id, "profile": profile, **fields}


_LEVELS = ("start_level", "final_level", "level_before", "level_after", "volume")


def event(kind: str, clock: str, *, id: str | None = None, drain: str | None = DRAIN, **fields: Any) -> Raw:
    """An event; the levels and volumes among `fields` are plain numbers of mL, left out where None."""
    raw: Raw = {"record": "event", "id": id or f"{kind}-{_tag(clock)}", "kind": kind, "at": at(clock)}
    if drain is not None:
        raw["drain"] = drain
    stated = {name: value for name, value in fields.items() if value is not None}
    return raw | {name: millilitres(value) if name in _LEVELS else value for name, value in stated.items()}


def connected(clock: str, start: Amount | None = 0, unit: str = UNIT, **fields: Any) -> Raw:
    return event("connected", clock, start_level=start, **({"collector": unit, "chamber": "A"} | fields))


def replaced(
    clock: str, unit: str, final: Amount | None = None, start: Amount | None = 0, **fields: Any
) -> Raw:
    more = {"collector": unit, "chamber": "A"} | fields
    return event("replaced", clock, final_level=final, start_level=start, **more)


def reading(clock: str, *, id: str | None = None, drain: str = DRAIN, **fields: Any) -> Raw:
    return {"record": "reading", "id": id or f"r-{_tag(clock)}", "drain": drain, "at": at(clock), **fields}


def level(clock: str, value: Amount, **fields: Any) -> Raw:
    return reading(clock, level=millilitres(value), **fields)


def volume(clock: str, value: Amount, *, since: str | None = None, **fields: Any) -> Raw:
    period = {} if since is None else {"from": at(since)}
    return reading(clock, volume=millilitres(value), **period, **fields)


def correction(of: Raw, made: str, *, id: str | None = None, **changes: Any) -> Raw:
    """Corrects `of`: the whole record again, with `changes`."""
    kind = of["record"]
    whole = {name: value for name, value in (of | changes).items() if name not in ("record", "id")}
    return {
        "record": "correction",
        "id": id or f"c-{of['id']}",
        "corrects": of["id"],
        "made_at": at(made),
        kind: whole,
    }


def retraction(of: str, made: str, *, id: str | None = None, reason: str = "charted in error") -> Raw:
    return {
        "record": "retraction",
        "id": id or f"x-{of}",
        "retracts": of,
        "made_at": at(made),
        "reason": reason,
    }


def _tag(clock: str) -> str:
    return clock.replace("+", "-").replace(":", "")
