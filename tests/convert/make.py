"""Small pieces of a journal and a ledger, stated by hand. Everything in them is invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

from drainledger.domain.entries import DrainLedger, Finding, Interval, NodeEntry, Total, Window
from drainledger.domain.records import Collector, Drain, Event, Identifier, Key, Reading, Retraction

SOURCE = "file"


def at(hour: int, minute: int = 0, *, day: int = 28) -> datetime:
    """An instant of March 2026 in UTC; Lisbon's clocks go forward on the 29th at 01:00 UTC."""
    return datetime(2026, 3, day, hour, minute, tzinfo=UTC)


def drain(id_: str = "drn-7", patient: str = "P-1", **more: object) -> Drain:
    return Drain(
        key=Key("drain", "", id_),
        patient=Identifier("https://ward.example/mrn", patient),
        time_zone="Europe/Lisbon",
        **more,  # type: ignore[arg-type]  # a test names fields that are there
    )


def collector(id_: str = "col-3") -> Collector:
    return Collector(key=Key("collector", "", id_), profile="adult-single")


def reading(id_: str, drain_id: str = "drn-7", collector_id: str | None = None, hour: int = 7) -> Reading:
    return Reading(key=Key("reading", SOURCE, id_), drain=drain_id, at=at(hour), collector=collector_id)


def connected(id_: str, drain_id: str | None, collector_id: str) -> Event:
    return Event(
        key=Key("event", SOURCE, id_), kind="connected", at=at(6), drain=drain_id, collector=collector_id
    )


def retraction(id_: str, target: str) -> Retraction:
    return Retraction(key=Key("retraction", SOURCE, id_), retracts=target, made_at=at(12))


def node(record: Reading | Event, **more: object) -> NodeEntry:
    return NodeEntry(
        key=record.key,
        drain="drn-7",
        at=record.at,
        record=record,
        status=more.pop("status", "used"),  # type: ignore[arg-type]  # one of the three words
        corrected=False,
        stamp=record.at,
        **more,  # type: ignore[arg-type]  # a test names fields that are there
    )


def interval(record: Reading, start: datetime | None, output: str | None, **more: object) -> Interval:
    fields: dict[str, object] = {
        "collector": "col-3",
        "chamber": "A",
        "bound": "exact" if output else "unknown",
        "deviation": Decimal("0.577") if output else None,
        "rate": Decimal("40.0") if output else None,
        "rate_per_weight": Decimal("0.56") if output else None,
        "findings": (),
    }
    return Interval(
        owner=record.key,
        part="",
        start=start,
        end=record.at,
        output=None if output is None else Decimal(output),
        irrigant=Decimal(0),
        records=(record.key,),
        levels=(),
        stamp=record.at,
        **(fields | more),  # type: ignore[arg-type]  # a test names fields that are there
    )


def total(record: Reading, value: str, bound: str = "exact", net: str | None = None) -> Total:
    return Total(
        owner=record.key,
        part="",
        since=at(6),
        at=record.at,
        total=Decimal(value),
        bound=bound,  # type: ignore[arg-type]  # one of the four words
        deviation=Decimal("0.577") if bound == "exact" else None,
        net=Decimal(net or value),
        stamp=record.at,
    )


def finding(record: Reading, code: str, issue: bool) -> Finding:
    return Finding(
        code=code, issue=issue, at=record.at, owner=record.key, records=(record.key,), text="A sentence."
    )


def window() -> Window:
    return Window(
        drain="drn-7",
        name="ward-day",
        day="2026-03-28",
        start=at(7),
        end=at(7) + timedelta(hours=23),
        covers=(at(6), at(7)),
        total=Decimal(40),
        net=Decimal(-10),
        bound="at-least",
        coverage=Decimal("0.042"),
        clamped_minutes=Decimal(0),
        status="preliminary",
        intervals=(),
        stamp=at(7),
    )


def ledger(*nodes: NodeEntry, of: Drain | None = None, windows: tuple[Window, ...] = ()) -> DrainLedger:
    return DrainLedger(
        drain=of or drain(),
        corrected=False,
        connections=(),
        nodes=nodes,
        windows=windows,
        findings=(),
        held=1,
        waiting=2,
        as_of=at(7),
    )
