"""What one record can touch: the drains, collectors and records that it names. Records that share a name are judged
together; nothing else need be in memory with them."""

from __future__ import annotations

from collections.abc import Iterator

from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Record,
    RecordKind,
    Retraction,
)
from drainledger.domain.statements import Slot, slot_of

#: ("drain", id) or ("collector", id); ("slot", text) for the record that a correction or a retraction speaks of.
Tie = tuple[str, str]

_RETRACTABLE: tuple[RecordKind, ...] = ("reading", "drain", "collector")


def ties(record: Record) -> set[Tie]:
    """The names that tie a record to others."""
    match record:
        case Drain():
            return {("drain", record.id), *(("drain", tube) for tube in record.joins)}
        case Collector():
            return {("collector", record.id)}
        case Reading():
            return {("drain", record.drain), *_collectors(record.collector)}
        case Event():
            named = {("drain", record.drain)} if record.drain is not None else set[Tie]()
            return named | set(_collectors(record.collector, record.from_collector))
        case Correction():
            return {*ties(record.record), slot_tie(slot_of(record.corrects))}
        case Retraction():
            return {slot_tie(slot) for slot in targets(record)}


def targets(record: Record) -> list[Slot]:
    """The slots of the records that a correction or a retraction may speak of."""
    match record:
        case Correction():
            return [slot_of(record.corrects)]
        case Retraction(key=key, retracts=target):
            return [slot_of(Key(kind, key.source, target)) for kind in _RETRACTABLE]
    return []


def slot_tie(slot: Slot) -> Tie:
    """The name of a slot."""
    return ("slot", "\0".join(slot))


def _collectors(*ids: str | None) -> Iterator[Tie]:
    return (("collector", id_) for id_ in ids if id_ is not None)
