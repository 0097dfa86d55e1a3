"""The act of judging records again by another version of the mappings (DESIGN 4): a journal row that no source sent."""

from __future__ import annotations

from typing import TypeAlias

from msgspec import Struct

from drainledger.domain.naming import Tie, ties
from drainledger.domain.records import Collector, Drain, Event, Key, Record


class Refold(Struct, frozen=True, kw_only=True):
    """What was journaled before and names one of these drains or collectors is judged by this row's version from here
    on. `drains` and `collectors` are all that are tied together."""

    key: Key
    drains: tuple[str, ...]
    collectors: tuple[str, ...]


#: What a row of the journal holds.
Journaled: TypeAlias = Record | Refold


def is_judged(record: Journaled) -> bool:
    """Whether a version of the mappings belongs to the record: others are judged by their drain's and connection's."""
    return isinstance(record, Drain | Collector | Event)


def names_of(record: Journaled) -> set[Tie]:
    """The names that tie a row of the journal to others."""
    if isinstance(record, Refold):
        return {("drain", id_) for id_ in record.drains} | {("collector", id_) for id_ in record.collectors}
    return ties(record)
