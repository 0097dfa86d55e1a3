"""A morning at one bed, as records: the README's example. Everything in it is invented."""

from __future__ import annotations

from typing import Any

Raw = dict[str, Any]

PATIENT = "P-1042"
DRAIN: Raw = {
    "record": "drain",
    "id": "drn-7",
    "patient": {"system": "https://ward.example/mrn", "value": PATIENT},
    "kind": "pleural",
    "side": "left",
    "weight": {"value": 72, "unit": "kg"},
    "time_zone": "Europe/Lisbon",
}
COLLECTOR: Raw = {"record": "collector", "id": "col-3", "profile": "adult-single"}
CONNECTED: Raw = {
    "record": "event",
    "id": "ev-1",
    "kind": "connected",
    "drain": "drn-7",
    "collector": "col-3",
    "chamber": "A",
    "at": "2026-03-02T06:00:00+00:00",
    "start_level": {"value": 0, "unit": "mL"},
}
BED = (DRAIN, COLLECTOR, CONNECTED)


def reading(id_: str, hour: int, level: int | str, *, unit: str = "mL") -> Raw:
    """A level at a full hour of 2 March 2026, UTC."""
    return {
        "record": "reading",
        "id": id_,
        "drain": "drn-7",
        "at": f"2026-03-02T{hour:02}:00:00+00:00",
        "level": {"value": level, "unit": unit},
    }


def replaced(id_: str, at: str, final: int) -> Raw:
    return {
        "record": "event",
        "id": id_,
        "kind": "replaced",
        "drain": "drn-7",
        "collector": "col-4",
        "chamber": "A",
        "at": f"2026-03-02T{at}:00+00:00",
        "final_level": {"value": final, "unit": "mL"},
        "start_level": {"value": 0, "unit": "mL"},
    }
