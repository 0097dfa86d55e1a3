"""A drain's nodes: its readings and events in order, and what may be asked of their neighbourhood."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from msgspec import Struct

from drainledger.domain.entries import Connection, LevelRef, NodeEntry
from drainledger.domain.levels import Scale
from drainledger.domain.order import Order
from drainledger.domain.records import Event, Reading
from drainledger.domain.state import ZERO, State
from drainledger.domain.topology import Placement

#: Three level readings further apart than this tell nothing about a misreading, and a unit read longer than this
#: after it came off says nothing about the level it came off with.
NEAR = timedelta(hours=4)


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


class LevelAhead(Struct, frozen=True):
    """The next level read on a connection (mL), and what was drawn from the chamber until then (mL)."""

    level: Decimal
    drawn: Decimal
    node: Node


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


def usable_level(nodes: Sequence[Node], index: int, connection: Connection, scale: Scale) -> Decimal | None:
    """The level (mL) of the node at `index` as an anchor of the connection; None also where a change of its own minute
    states another."""
    level = level_on(nodes[index], connection, scale)
    if level is None:
        return None
    stated = level_stated_here(nodes, index, connection, scale)
    return (
        None if stated is not None and abs(level - stated[0]) > scale.tolerance(level, stated[0]) else level
    )


def anchor_of_instant(
    nodes: Sequence[Node], index: int, connection: Connection, scale: Scale, priorities: Mapping[str, int]
) -> Node:
    """Of the readings of one chamber at one instant, the one that counts: higher source priority, then the lower
    level, then id."""
    here = nodes[index]
    if not _beside(nodes, index - 1, here) and not _beside(nodes, index + 1, here):
        return here
    levels = ((at, usable_level(nodes, at, connection, scale)) for at in _instant(nodes, index))
    ranks = [
        (-priorities.get(nodes[at].order.source, 0), level, nodes[at].order.id, nodes[at].order.source, at)
        for at, level in levels
        if level is not None
    ]
    return nodes[min(ranks)[-1]] if ranks else here


def _beside(nodes: Sequence[Node], index: int, node: Node) -> bool:
    return 0 <= index < len(nodes) and nodes[index].order[:2] == node.order[:2]


def _instant(nodes: Sequence[Node], index: int) -> Iterator[int]:
    here = nodes[index]
    first = index
    while _beside(nodes, first - 1, here):
        first -= 1
    while _beside(nodes, first, here):
        yield first
        first += 1


def next_level(
    nodes: Sequence[Node],
    index: int,
    connection: Connection,
    scale: Scale,
    until: datetime,
    priorities: Mapping[str, int],
) -> LevelAhead | None:
    """The next level read on the connection after `index` and not later than `until`; None where there is none or
    where something before it explains a fall."""
    here = nodes[index].order
    drawn = ZERO
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node.order.at > until:
            return None
        record = node.record
        if type(record) is Event:
            if _explains_fall(node, record):
                return None
            taken = drawn_by(record, connection)
            if taken is None:
                return None
            drawn += taken
        elif node.order[:2] != here[:2] and usable_level(nodes, ahead, connection, scale) is not None:
            chosen = anchor_of_instant(nodes, ahead, connection, scale, priorities)
            level = level_on(chosen, connection, scale)
            return None if level is None else LevelAhead(scale.read(level), drawn, chosen)
    return None


def _explains_fall(node: Node, event: Event) -> bool:
    if node.placement is not None:
        return node.placement.status == "used"
    return event.kind == "emptied"


def drawn_by(event: Event, connection: Connection) -> Decimal | None:
    """What an event takes from the connection's chamber, mL: 0 where nothing, None where it isn't stated."""
    if event.kind == "sampled":
        return event.volume
    if event.kind == "reinfused" and event.collector in (None, connection.collector):
        return event.volume
    return ZERO


def final_reading(nodes: Sequence[Node], index: int, closed: Connection, scale: Scale) -> Node | None:
    """The first reading that names a collector after it came off at `index`: units are read after they come off."""
    limit = nodes[index].order.at + NEAR
    change = nodes[index].placement
    if change is not None and change.opened is not None and change.opened.collector == closed.collector:
        return None  # another chamber of the same unit: its reading is the new one's
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node.order.at > limit:
            return None
        placement = node.placement
        if (
            placement is not None
            and placement.opened is not None
            and placement.opened.collector == closed.collector
        ):
            return None
        reading = node.record
        if (
            type(reading) is Reading
            and reading.collector == closed.collector
            and level_on(node, closed, scale) is not None
        ):
            return node
    return None


def level_stated_here(
    nodes: Sequence[Node], index: int, connection: Connection, scale: Scale
) -> tuple[Decimal, LevelRef] | None:
    """The level, mL, that a change, a tip or an emptying of the same instant states for the end of this connection, and
    where: it was looked at for the act, and a reading of that minute may be of after it."""
    here = nodes[index].order
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node.order.at != here.at:
            return None
        stated, part = _closing_level(node, connection)
        if stated is not None and scale.refuse(stated) is None:
            return stated, LevelRef(node.record.key, part)
    return None


def _closing_level(node: Node, connection: Connection) -> tuple[Decimal | None, str]:
    """The level that a node closes the connection with, and its part."""
    placement = node.placement
    if placement is not None:
        closes = placement.status == "used" and placement.closed == connection
        name = "before" if placement.tip else "final"
        return (placement.final_level if closes else None), placement.part + name
    record = node.record
    if type(record) is Event and record.kind == "emptied":
        return record.level_before, "before"
    return None, ""
