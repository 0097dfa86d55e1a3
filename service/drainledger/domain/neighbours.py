"""What may be asked of a level's neighbourhood: its rivals of the same instant, and the next level (DESIGN 4)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal

from msgspec import Struct

from drainledger.domain.acts import level_stated_here
from drainledger.domain.entries import Connection
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import Node, drawn_by, level_on
from drainledger.domain.records import Event
from drainledger.domain.state import ZERO, Emptying


class LevelsAhead(Struct, frozen=True):
    """The readings at the next instant at which a level is read on a connection, best first as in `rivals`, the index
    of one of that instant's nodes, and what was drawn from the chamber until then (mL)."""

    rivals: list[Node]
    index: int
    drawn: Decimal


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


def next_levels(
    nodes: Sequence[Node],
    index: int,
    connection: Connection,
    scale: Scale,
    until: datetime,
    priorities: Mapping[str, int],
) -> LevelsAhead | None:
    """What is read next on the connection after the instant of `index` and not later than `until`; None where there is
    nothing or where something before it explains a fall."""
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
            return LevelsAhead(rivals(nodes, ahead, connection, scale, priorities, None), ahead, drawn)
    return None


def _explains_fall(node: Node, event: Event) -> bool:
    if node.placement is not None:
        return node.placement.status == "used"
    return event.kind == "emptied"
