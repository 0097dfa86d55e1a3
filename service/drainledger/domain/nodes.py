"""A drain's nodes: its readings and events in order, and what each says of a chamber."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

from drainledger.domain.entries import Connection, NodeEntry
from drainledger.domain.levels import Scale
from drainledger.domain.order import Order
from drainledger.domain.records import Event, Reading
from drainledger.domain.state import ZERO, State
from drainledger.domain.topology import Placement

#: Three level readings further apart than this tell nothing about a misreading.
MISREADING_SPAN = timedelta(hours=4)
#: A level charted longer than this after a unit came off says nothing about the one that it came off with.
FINAL_WITHIN = timedelta(hours=4)
#: A level read of a unit longer than this after it came off is no check on the one that it came off with.
CHECK_WITHIN = timedelta(hours=4)
#: As far as a node may look at others, ahead or back. A reading is judged by the next level, and which of several of
#: that instant counts by the next after them.
NEAR = max(2 * MISREADING_SPAN, FINAL_WITHIN, CHECK_WITHIN)


class Node:
    """One record in one drain's order, with what the last fold made of it."""

    __slots__ = ("after", "corrected", "entry", "order", "placement", "record", "stamp")

    def __init__(
        self,
        order: Order,
        record: Event | Reading,
        corrected: bool,
        stamp: datetime,
        placement: Placement | None = None,
    ) -> None:
        self.order = order
        self.record = record
        self.corrected = corrected
        self.stamp = stamp
        self.placement = placement
        self.after: State | None = None
        self.entry: NodeEntry | None = None


def amount_read(reading: Reading, connection: Connection) -> Decimal | None:
    """The level or count, mL, that a reading gives for a connection read by level or counter."""
    return reading.level if connection.reads == "level" else reading.counter


def level_on(node: Node, connection: Connection, scale: Scale) -> Decimal | None:
    """The level (mL) that a node may anchor this connection with, None where it can't."""
    reading = node.record
    if type(reading) is not Reading:
        return None
    level = amount_read(reading, connection)
    if (
        level is None
        or reading.collector not in (None, connection.collector)
        or scale.refuse(level) is not None
    ):
        return None
    return level


def drawn_by(event: Event, connection: Connection) -> Decimal | None:
    """What an event takes from the connection's chamber, mL: 0 where nothing, None where it isn't stated."""
    if event.kind == "sampled":
        return event.volume
    if event.kind == "reinfused" and event.collector in (None, connection.collector):
        return event.volume
    return ZERO
