"""Journals as a source would send them. Everything in them is invented."""

from __future__ import annotations

from typing import Any

Raw = dict[str, Any]


def ml(value: float) -> Raw:
    return {"value": value, "unit": "mL"}


def drain(id_: str = "drn-7", patient: str = "P-1042", **more: Any) -> Raw:
    return {
        "record": "drain",
        "id": id_,
        "patient": {"system": "https://ward.example/mrn", "value": patient},
        "kind": "pleural",
        "side": "left",
        "weight": {"value": 72, "unit": "kg"},
        "time_zone": "Europe/Lisbon",
    } | more


def collector(id_: str = "col-3", profile: str = "adult-single") -> Raw:
    return {"record": "collector", "id": id_, "profile": profile, "serial": "A1", "lot": "L9"}


def event(id_: str, kind: str, at: str, drain_id: str | None = "drn-7", **more: Any) -> Raw:
    named = {} if drain_id is None else {"drain": drain_id}
    return {"record": "event", "id": id_, "kind": kind, "at": stamp(at)} | named | more


def connected(
    id_: str = "ev-1", drain_id: str = "drn-7", collector_id: str = "col-3", at: str = "06:00"
) -> Raw:
    return event(id_, "connected", at, drain_id, collector=collector_id, chamber="A", start_level=ml(0))


def reading(id_: str, at: str, level: float | None = None, drain_id: str = "drn-7", **more: Any) -> Raw:
    measured = {} if level is None else {"level": ml(level)}
    return {"record": "reading", "id": id_, "drain": drain_id, "at": stamp(at)} | measured | more


def correction(id_: str, of: Raw, made_at: str, **changed: Any) -> Raw:
    whole = {name: value for name, value in (of | changed).items() if name != "record"}
    return {
        "record": "correction",
        "id": id_,
        "corrects": of["id"],
        "made_at": stamp(made_at),
        of["record"]: whole,
    }


def retraction(id_: str, target: str, made_at: str) -> Raw:
    return {"record": "retraction", "id": id_, "retracts": target, "made_at": stamp(made_at)}


def stamp(at: str) -> str:
    """`07:00` is that time of 2 March 2026; a whole time stands as it is."""
    return at if "T" in at else f"2026-03-02T{at}:00+00:00"


def start(drain_id: str = "drn-7", collector_id: str = "col-3", patient: str = "P-1042") -> list[Raw]:
    """A drain with a unit connected at 06:00 at 0 mL."""
    return [
        drain(drain_id, patient),
        collector(collector_id),
        connected(f"ev-{drain_id}", drain_id, collector_id),
    ]


#: DESIGN 4, worked case 1.
CASE_1 = [*start(), reading("r-1", "07:00", 40), reading("r-2", "08:00", 90), reading("r-3", "09:00", 90)]
#: DESIGN 4, worked case 3.
CASE_3 = [*start(), reading("r-1", "07:00", 300), reading("r-2", "08:00", 120), reading("r-3", "09:00", 150)]


def ward() -> list[Raw]:
    """Two patients, three drains, one unit changed, one tipped, a late, a corrected and a retracted reading."""
    first = [
        *start("drn-1", "col-1", "P-1"),
        reading("a-1", "07:00", 40, "drn-1"),
        reading("a-3", "09:00", 120, "drn-1"),
    ]
    second = [*start("drn-2", "col-2", "P-1"), reading("b-1", "07:00", 300, "drn-2")]
    third = [*start("drn-3", "col-4", "P-2"), reading("c-1", "07:00", 400, "drn-3")]
    return [
        *first,
        *second,
        *third,
        reading(
            "a-2",
            "08:00",
            90,
            "drn-1",
            suction={"mode": "suction", "prescribed": {"value": -20, "unit": "cm[H2O]"}},
        ),
        correction("a-c", reading("a-2", "08:00", 90, "drn-1"), "10:00", level=ml(70)),
        collector("col-3"),
        event(
            "b-2",
            "replaced",
            "07:30",
            "drn-2",
            collector="col-3",
            chamber="A",
            final_level=ml(340),
            start_level=ml(0),
        ),
        reading(
            "b-3", "08:00", 120, "drn-2", air_leak={"grade": 2, "pattern": "intermittent"}, tidaling="present"
        ),
        event("c-2", "tipped", "07:40", "drn-3"),
        reading("c-3", "08:00", 390, "drn-3"),
        reading("c-4", "08:30", 395, "drn-3"),
        reading("c-5", "09:00", 400, "drn-3"),
        retraction("c-x", "c-4", "10:00"),
    ]
