"""A drain's nodes: its readings and events in order, and what may be asked of their neighbourhood."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from msgspec import Struct

from drainledger.domain.entries import Connection, LevelRef, NodeEntry
from drainledger.domain.levels import Scale
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.order import Order
from drainledger.domain.records import Event, Reading
from drainledger.domain.state import ZERO, Emptying, State
from drainledger.domain.topology import Placement

#: Three level readings further apart than this tell nothing about a misreading.
MISREADING_SPAN = timedelta(hours=4)
#: A level charted longer than this after a unit came off says nothing about the one that it came off with.
FINAL_WITHIN = timedelta(hours=4)
#: A level read of a unit longer than this after it came off is no check on the one that it came off with.
CHECK_WITHIN = timedelta(hours=4)
#: As far as a node may look at others, ahead or back.
NEAR = max(MISREADING_SPAN, FINAL_WITHIN, CHECK_WITHIN)


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


def usable_level(
    nodes: Sequence[Node], index: int, connection: Connection, scale: Scale, earlier: Emptying | None
) -> Decimal | None:
    """The level (mL) of the node at `index` as an anchor of the connection; None also where a change of its own minute
    states another. `earlier` is the tip or emptying that counted last before that minute."""
    level = level_on(nodes[index], connection, scale)
    if level is None:
        return None
    stated = level_stated_here(nodes, index, connection, scale, earlier)
    return (
        None if stated is not None and abs(level - stated[0]) > scale.tolerance(level, stated[0]) else level
    )


def rivals(
    nodes: Sequence[Node],
    index: int,
    connection: Connection,
    scale: Scale,
    priorities: Mapping[str, int],
    earlier: Emptying | None,
) -> list[Node]:
    """The readings of one chamber at one instant, never none, best first: higher source priority, then the lower
    level, then id."""
    here = nodes[index]
    if not _beside(nodes, index - 1, here) and not _beside(nodes, index + 1, here):
        return [here]
    levels = ((at, usable_level(nodes, at, connection, scale, earlier)) for at in _instant(nodes, index))
    ranks = [
        (-priorities.get(nodes[at].order.source, 0), level, nodes[at].order.id, nodes[at].order.source, at)
        for at, level in levels
        if level is not None
    ]
    return [nodes[rank[-1]] for rank in sorted(ranks)] or [here]


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
        elif node.order[:2] != here[:2] and usable_level(nodes, ahead, connection, scale, None) is not None:
            # Here a level was read: what is charted then repeats nothing that was before.
            chosen = rivals(nodes, ahead, connection, scale, priorities, None)[0]
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


class LastLevel(Struct, frozen=True):
    """A unit's last level (mL) that was charted after it came off, and by which part of which node."""

    level: Decimal
    node: Node
    part: str


def last_level(nodes: Sequence[Node], index: int, closed: Connection, scale: Scale) -> LastLevel | None:
    """The first level charted for a unit after it came off at `index`: units are read after they come off. Either a
    reading that names it, or what a later change, a removal or the same change charted again states."""
    change = nodes[index].placement
    if change is None or (change.opened is not None and change.opened.collector == closed.collector):
        return None  # another chamber of the same unit: its reading is the new one's
    came_off = nodes[index].order.at
    off, latest_off = change.opened is None, True
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node.order.at - came_off > FINAL_WITHIN:
            return None
        placement = node.placement
        if placement is None:
            level = _named_level(node, closed, scale)
            if level is not None:
                return LastLevel(level, node, "")
            continue
        final = placement.final_level if placement.late_final and latest_off else None
        if final is not None and scale.refuse(final) is None and is_of_unit_off(came_off, node.order.at, off):
            return LastLevel(final, node, placement.part + "final")
        if placement.status == "used" and not placement.tip:
            off = placement.opened is None
            latest_off = latest_off and placement.closed is None
            if placement.opened is not None and placement.opened.collector == closed.collector:
                return None
    return None


def is_of_unit_off(came_off: datetime, at: datetime, off: bool) -> bool:
    """Whether a last level charted at an instant is of the unit that came off then: while none is in its place (`off`)
    for as long as a reading would be; else only where the same change may be charted by a second nurse."""
    return at - came_off <= (FINAL_WITHIN if off else CHARTED_AGAIN)


def _named_level(node: Node, closed: Connection, scale: Scale) -> Decimal | None:
    reading = node.record
    named = type(reading) is Reading and reading.collector == closed.collector
    return level_on(node, closed, scale) if named else None


def repeats(act: Emptying, earlier: Emptying | None) -> bool:
    """Whether a tip or emptying charts the one that counted last again: with the same levels, within a quarter of an
    hour, no level read in between. A chamber does not fill to the same mark again in so short a time."""
    if earlier is None or not timedelta(0) < act.at - earlier.at <= CHARTED_AGAIN:
        return False
    if earlier.read_at is not None and earlier.read_at < act.at:
        return False
    return act[:3] == earlier[:3]


def is_past(emptying: Emptying, at: datetime) -> bool:
    """Whether nothing that is charted for an instant or later may repeat it any more."""
    return at - emptying.at > CHARTED_AGAIN or (emptying.read_at is not None and emptying.read_at < at)


def stated_emptying(node: Node, connection: Connection) -> Emptying | None:
    """What a tip or an emptying states of a connection's chamber; None where it doesn't state how much there was."""
    record, placement, at = node.record, node.placement, node.order.at
    if placement is not None:
        is_used_tip = placement.tip and placement.status == "used" and placement.closed == connection
        level = placement.final_level if is_used_tip else None
        return None if level is None else Emptying("tipped", level, placement.start_level, at)
    if type(record) is not Event or record.kind != "emptied" or record.level_before is None:
        return None
    return Emptying("emptied", record.level_before, record.level_after or ZERO, at)


def level_stated_here(
    nodes: Sequence[Node], index: int, connection: Connection, scale: Scale, earlier: Emptying | None
) -> tuple[Decimal, LevelRef] | None:
    """The level, mL, that a change, a tip or an emptying of the same instant states for the end of this connection, and
    where: it was looked at for the act, and a reading of that minute may be of after it."""
    here = nodes[index].order
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node.order.at != here.at:
            return None
        stated, part = _closing_level(node, connection)
        if stated is None or scale.refuse(stated) is not None:
            if _ends(node, connection):
                return None
            continue
        act = stated_emptying(node, connection)
        if act is None or not repeats(act, earlier):
            return stated, LevelRef(node.record.key, part)
    return None


def _ends(node: Node, connection: Connection) -> bool:
    """Whether the drain is off the chamber after this: what comes later in the same minute is not of it."""
    placement = node.placement
    if placement is None or placement.tip:
        return False
    return placement.status == "used" and placement.closed == connection


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
