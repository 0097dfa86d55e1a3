"""A unit's last level, charted after it came off (DESIGN 4 'Events')."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal

from msgspec import Struct

from drainledger.domain.entries import Connection
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import FINAL_WITHIN, Node, level_on
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.records import Event, Reading


class LastLevel(Struct, frozen=True):
    """A unit's last level (mL) that was charted after it came off, and by which part of which node."""

    level: Decimal
    node: Node
    part: str


def last_level(
    nodes: Sequence[Node], index: int, closed: Connection, scale: Scale, priorities: Mapping[str, int]
) -> LastLevel | None:
    """The first level charted for a unit after it came off at `index`: units are read after they come off. Either a
    reading that names it, or what a later change, a removal or the same change charted again states. Of several such
    readings of one instant that of the higher source priority, then the lower, then the first by id."""
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
            if _named_level(node, closed, scale) is not None:
                return _best_named(nodes, ahead, closed, scale, priorities)
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


def given_back_since(
    nodes: Sequence[Node], index: int, late: LastLevel, closed: Connection
) -> Iterator[tuple[Event, datetime]]:
    """What was given back from a unit between its coming off, at `index`, and its last level: events, each with its
    stamp."""
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node is late.node:
            return
        record = node.record
        if type(record) is Event and record.kind == "reinfused" and record.collector == closed.collector:
            yield record, node.stamp


def is_of_unit_off(came_off: datetime, at: datetime, off: bool) -> bool:
    """Whether a last level charted at an instant is of the unit that came off then: while none is in its place (`off`)
    for as long as a reading would be; else only where the same change may be charted by a second nurse."""
    return at - came_off <= (FINAL_WITHIN if off else CHARTED_AGAIN)


def _best_named(
    nodes: Sequence[Node], first: int, closed: Connection, scale: Scale, priorities: Mapping[str, int]
) -> LastLevel:
    """Of the readings that name the unit, from the `first` of an instant on, the one that counts."""
    ranks = []
    index = first
    while index < len(nodes) and nodes[index].order[:2] == nodes[first].order[:2]:
        order, level = nodes[index].order, _named_level(nodes[index], closed, scale)
        if level is not None:
            ranks.append((-priorities.get(order.source, 0), level, order.id, order.source, index))
        index += 1
    best = min(ranks)
    return LastLevel(best[1], nodes[best[-1]], "")


def _named_level(node: Node, closed: Connection, scale: Scale) -> Decimal | None:
    reading = node.record
    named = type(reading) is Reading and reading.collector == closed.collector
    return level_on(node, closed, scale) if named else None
