"""Invented records of every kind, and short ways to write rows of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

from drainledger.domain.records import (
    AirLeak,
    ChamberLevels,
    Collector,
    Correction,
    Drain,
    Event,
    Identifier,
    Key,
    Observer,
    PinchTest,
    Reading,
    Record,
    Retraction,
    Suction,
    Udi,
)
from drainledger.store.rows import NewPart, NewRow, NewVersions

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
TENANT = "north"


def drain(id_: str = "d1") -> Drain:
    return Drain(
        key=Key("drain", "", id_),
        patient=Identifier("https://ward.example/mrn", "P-1"),
        time_zone="Europe/Lisbon",
        side="left",
        inserted_at=NOON - timedelta(hours=6, microseconds=1),
        weight=Decimal("71.999"),
        encounter=Identifier("https://ward.example/visit", "V-9"),
        reads_every=timedelta(hours=1),
        joins=("d7", "d8"),
    )


def collector(id_: str = "c1") -> Collector:
    return Collector(
        key=Key("collector", "", id_),
        profile="adult-single",
        udi=Udi(aidc="(01)\x1d17", entry_type="barcode"),
    )


def reading(id_: str = "r1", level: str = "40", source: str = "ward", drain: str = "d1") -> Reading:
    return Reading(
        key=Key("reading", source, id_),
        drain=drain,
        at=NOON,
        collector="c1",
        level=Decimal(level),
        suction=Suction(mode="suction", prescribed=Decimal("-20"), indicator="reached"),
        air_leak=AirLeak(grade=2, pattern="intermittent", test=PinchTest("tube", "stops")),
        tidaling="present",
        appearance=("serosanguineous", "clots"),
        observer=Observer("practitioner", "N-88"),
        recorded_at=NOON + timedelta(microseconds=999_999),
        note="grüne Klemme \U0001f9ea",
    )


def tipped(id_: str = "e1") -> Event:
    return Event(
        key=Key("event", "ward", id_),
        kind="tipped",
        at=NOON,
        collector="c1",
        levels=(
            ChamberLevels("A", level_before=Decimal("120"), level_after=Decimal("0")),
            ChamberLevels("B"),
        ),
    )


def correction(id_: str = "x1", of: str = "r1") -> Correction:
    return Correction(
        key=Key("correction", "ward", id_),
        corrects=Key("reading", "ward", of),
        made_at=NOON + timedelta(minutes=5),
        record=reading(of, "45"),
    )


def retraction(id_: str = "z1", of: str = "r1") -> Retraction:
    return Retraction(
        key=Key("retraction", "ward", id_), retracts=of, made_at=NOON, reason="another patient's"
    )


EVERY_KIND: tuple[Record, ...] = (drain(), collector(), reading(), tipped(), correction(), retraction())


def row(record: Record, raw: bytes = b'{"invented":1}') -> NewRow:
    return NewRow(
        source=record.key.source or "ward", record=record, raw=raw, rules_version="v1", principal="key:k1"
    )


def readings(count: int, prefix: str = "r") -> list[NewRow]:
    return [row(reading(f"{prefix}{number}")) for number in range(count)]


def part(version: int = 1, body: bytes = b'{"resourceType":"Observation"}', status: str = "final") -> NewPart:
    return NewPart("Observation", version, status, "chamber-level", body)


def put(id_: str, version: int = 1, *parts: str, body: bytes = b"{}") -> NewVersions:
    return NewVersions(
        id=id_,
        parts={name: part(version, body) for name in parts or ("level",)},
        patient="p1",
        drain="d1",
        at=NOON,
    )
