"""Invented drains, collectors and entries for the tests of rendering."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache

from drainledger.domain.entries import (
    CollectorUse,
    Connection,
    Finding,
    Ground,
    Interval,
    LevelMark,
    LevelRef,
    NodeEntry,
    Total,
    Window,
)
from drainledger.domain.records import (
    AirLeak,
    Collector,
    Drain,
    Event,
    EventKind,
    Identifier,
    Key,
    Observer,
    Reading,
    Suction,
    Udi,
)
from drainledger.mapping import Mappings, load_mappings

BASE = "https://drainledger.example/fhir"
NURSE = Observer("practitioner", "N-88")
MONITOR = Observer("device", "unit-12", "https://ward.example/devices")


@cache
def mappings() -> Mappings:
    return load_mappings()


def at(hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 3, 2, hour, minute, tzinfo=UTC)


def d(value: str | int) -> Decimal:
    return Decimal(value)


DRAIN = Drain(
    key=Key("drain", "", "drn-7"),
    patient=Identifier("https://ward.example/mrn", "P-1042"),
    time_zone="Europe/Lisbon",
    kind="pleural",
    side="left",
    label="1",
    inserted_at=at(5, 40),
    weight=d(72),
    encounter=Identifier("https://ward.example/visit", "V-9"),
    reads_every=timedelta(hours=1),
)
CONNECTED = Key("event", "ward", "ev-1")
CONNECTION = Connection(
    drain="drn-7", collector="col-3", chamber="A", reads="level", start=at(6), opened_by=CONNECTED
)
R1 = Key("reading", "ward", "r-1")


def unit(profile: str = "adult-single", ident: str = "col-3") -> CollectorUse:
    collector = Collector(
        key=Key("collector", "", ident),
        profile=profile,
        serial="A1",
        lot="L9",
        made_on="2026-01",
        expires_on="2028-01-31",
        udi=Udi("09506000134352", "0109506000134352\x1d10L9", "(01)09506000134352(10)L9", "barcode"),
    )
    return CollectorUse(collector=collector, profile=mappings().rules.profiles[profile])


def level_at(
    key: Key, value: str | int, hour: int, minute: int = 0, part: str = "", **more: object
) -> LevelMark:
    said = {"used": True, "collector": "col-3", "chamber": "A", **more}
    return LevelMark(owner=key, part=part, at=at(hour, minute), value=d(value), **said)  # type: ignore[arg-type]  # a test names fields that are there


def connected() -> NodeEntry:
    """Connected 06:00, start 0."""
    event = Event(
        key=CONNECTED,
        kind="connected",
        at=at(6),
        drain="drn-7",
        collector="col-3",
        chamber="A",
        start_level=d(0),
        observer=NURSE,
    )
    return NodeEntry(
        key=CONNECTED,
        drain="drn-7",
        at=at(6),
        record=event,
        status="used",
        corrected=False,
        stamp=at(6),
        connection=CONNECTION,
        levels=(level_at(CONNECTED, 0, 6, part="start"),),
    )


def interval(key: Key = R1, **changes: object) -> Interval:
    said = {
        "owner": key,
        "part": "",
        "collector": "col-3",
        "chamber": "A",
        "start": at(6),
        "end": at(7),
        "output": d(40),
        "bound": "exact",
        "deviation": d("0.577"),
        "irrigant": d(0),
        "rate": d("40.0"),
        "rate_per_weight": d("0.56"),
        "records": (key,),
        "levels": (LevelRef(CONNECTED, "start"), LevelRef(key, "")),
        "findings": (),
        "stamp": at(7),
        **changes,
    }
    return Interval(**said)  # type: ignore[arg-type]  # a test names fields that are there


def total(key: Key = R1, **changes: object) -> Total:
    said = {
        "owner": key,
        "part": "",
        "since": at(6),
        "at": at(7),
        "total": d(40),
        "bound": "exact",
        "deviation": d("0.577"),
        "net": d(40),
        "stamp": at(7),
        **changes,
    }
    return Total(**said)  # type: ignore[arg-type]  # a test names fields that are there


def reading(**changes: object) -> Reading:
    """The reading of DESIGN 3."""
    said = {
        "key": R1,
        "drain": "drn-7",
        "at": at(7),
        "level": d(40),
        "suction": Suction(mode="suction", prescribed=d(-20), indicator="reached"),
        "air_leak": AirLeak(grade=2, pattern="intermittent"),
        "tidaling": "present",
        "appearance": ("serosanguineous",),
        "observer": NURSE,
        **changes,
    }
    return Reading(**said)  # type: ignore[arg-type]  # a test names fields that are there


def read(record: Reading | None = None, **changes: object) -> NodeEntry:
    """The entry of the reading of DESIGN 3: 40 mL at 07:00, from 0 at 06:00."""
    said_by = reading() if record is None else record
    said = {
        "key": said_by.key,
        "drain": "drn-7",
        "at": said_by.at,
        "record": said_by,
        "status": "used",
        "corrected": False,
        "stamp": at(7),
        "connection": CONNECTION,
        "levels": (level_at(said_by.key, 40, 7),),
        "interval": interval(said_by.key),
        "total": total(said_by.key),
        **changes,
    }
    return NodeEntry(**said)  # type: ignore[arg-type]  # a test names fields that are there


def done(kind: EventKind, findings: tuple[Finding, ...] = (), **said: object) -> NodeEntry:
    """The entry of an event at 06:30 that is no anchor."""
    key = Key("event", "ward", "ev-2")
    event = Event(key=key, kind=kind, at=at(6, 30), drain="drn-7", **said)  # type: ignore[arg-type]  # a test names fields that are there
    return NodeEntry(
        key=key,
        drain="drn-7",
        at=at(6, 30),
        record=event,
        status="used",
        corrected=False,
        stamp=at(6, 30),
        connection=CONNECTION,
        findings=findings,
    )


def finding(code: str = "unexplained-fall", **changes: object) -> Finding:
    said = {
        "code": code,
        "issue": True,
        "at": at(7),
        "owner": R1,
        "records": (R1,),
        "text": "A sentence for a nurse.",
        "grounds": (Ground(R1, "level"), Ground(R1, "output"), Ground(CONNECTED, "level", "start")),
        **changes,
    }
    return Finding(**said)  # type: ignore[arg-type]  # a test names fields that are there


def window(**changes: object) -> Window:
    said = {
        "drain": "drn-7",
        "name": "day",
        "day": "2026-03-02",
        "start": at(7),
        "end": at(19),
        "covers": (at(6), at(7)),
        "total": d(40),
        "net": d(40),
        "bound": "exact",
        "coverage": d("0.083"),
        "clamped_minutes": d(0),
        "status": "final",
        "intervals": (LevelRef(R1, ""),),
        "stamp": at(7),
        **changes,
    }
    return Window(**said)  # type: ignore[arg-type]  # a test names fields that are there
