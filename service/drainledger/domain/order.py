"""The order of a drain's records (DESIGN 4 'Order'): by instant, then by what is done first at one instant, then id."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from drainledger.domain.records import Event

READING = 2
#: `connected` while connected is a change, and comes after whatever else ends the old connection at that instant.
DISPLACING = 9
#: A reading at the instant of a change that names the new collector comes after the change.
READING_OF_NEW_COLLECTOR = 10

EVENT_RANK: dict[str, int] = {
    "connected": 0,
    "unclamped": 0,
    "sampled": 1,
    "reinfused": 1,
    "weighed": 1,
    "suction-prescribed": 1,
    "milked": 1,
    "vented": 1,
    # Irrigant goes in after the reading that empties the line.
    "irrigated": 3,
    "clamped": 3,
    # A level charted in the minute of a change belongs to the old unit; on the new one it would count twice. So what
    # is done to the old unit comes first, and what ends it comes before what puts a new one on.
    "tipped": 4,
    "emptied": 5,
    "disconnected": 6,
    "removed": 7,
    "replaced": 8,
}


class Order(NamedTuple):
    """A node's place: compare to sort."""

    at: datetime
    rank: int
    id: str
    source: str


def event_order(event: Event) -> Order:
    """The place of an event among its drain's nodes."""
    return Order(event.at, EVENT_RANK[event.kind], event.key.id, event.key.source)


def displacing_order(event: Event) -> Order:
    """The place of a `connected` that ends another connection of its drain."""
    return Order(event.at, DISPLACING, event.key.id, event.key.source)
