"""What a retracted record itself said, as an entry: without a history nobody had what was worked out from it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from drainledger.domain.entries import Connection, Interval, LevelMark, NodeEntry
from drainledger.domain.records import ChamberLevels, Drain, Event, Reading
from drainledger.fhir.output import UNKNOWN


def withdrawn_entry(
    record: Event | Reading, drain: Drain, connection: Connection | None, stamp: datetime
) -> NodeEntry:
    """The record's own levels and amount; the values serve to tell which Observations there are, and are not sent."""
    return NodeEntry(
        key=record.key,
        drain=drain.id,
        at=record.at,
        record=record,
        status="used",
        corrected=False,
        stamp=stamp,
        connection=connection,
        levels=tuple(_stated_levels(record, connection)),
        interval=_stated_amount(record, connection, stamp),
    )


def _stated_amount(
    record: Event | Reading, connection: Connection | None, stamp: datetime
) -> Interval | None:
    """The amount that a withdrawn reading charted; beside a level it was a cross-check and no interval."""
    if not isinstance(record, Reading) or record.volume is None or record.level is not None:
        return None
    return Interval(
        owner=record.key,
        part="",
        collector=None if connection is None else connection.collector,
        chamber=None if connection is None else connection.chamber,
        start=record.from_,
        end=record.at,
        output=record.volume,
        bound="exact",
        deviation=None,
        irrigant=Decimal(0),
        rate=None,
        rate_per_weight=None,
        records=(record.key,),
        levels=(),
        findings=(),
        stamp=stamp,
    )


def _stated_levels(record: Event | Reading, connection: Connection | None) -> Iterator[LevelMark]:
    """The levels that a withdrawn record stated for one drain; only a reading's are tied to the unit that it was taken
    on, for an event may speak of two."""
    if isinstance(record, Reading):
        level = record.counter if record.level is None else record.level
        place = (UNKNOWN, UNKNOWN) if connection is None else (connection.collector, connection.chamber)
        yield from _marks(record, place, [("", level)], counter=record.level is None)
        return
    unknown = (UNKNOWN, UNKNOWN)
    yield from _marks(record, unknown, _event_levels(record))
    for stated in record.levels:
        if connection is not None and connection.chamber == stated.chamber:
            levels = [(f"{stated.chamber}.{part}", value) for part, value in _event_levels(stated)]
            yield from _marks(record, unknown, levels)


def _event_levels(stated: Event | ChamberLevels) -> list[tuple[str, Decimal | None]]:
    return [
        ("start", stated.start_level),
        ("final", stated.final_level),
        ("before", stated.level_before),
        ("after", stated.level_after),
    ]


def _marks(
    record: Event | Reading,
    place: tuple[str, str],
    levels: Sequence[tuple[str, Decimal | None]],
    *,
    counter: bool = False,
) -> Iterator[LevelMark]:
    for part, value in levels:
        if value is not None:
            yield LevelMark(
                owner=record.key,
                part=part,
                at=record.at,
                collector=place[0],
                chamber=place[1],
                value=value,
                used=True,
                counter=counter,
            )
