"""What may be asked of a level's neighbourhood: its rivals of the same instant, and the next level (DESIGN 4)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal

from msgspec import Struct

from drainledger.domain.acts import closes, closing_level, is_of_repeated, level_stated_here
from drainledger.domain.entries import Connection
from drainledger.domain.last_levels import given_back_since, last_level
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import Node, drawn_by, level_on
from drainledger.domain.records import Event
from drainledger.domain.state import ZERO, Emptying


class LevelsAhead(Struct, frozen=True):
    """What tells the next level on a connection: readings of one instant, best first as in `rivals`, with their levels
    (mL, as read); or the record that states, in `part`, the level at which the connection was closed. `index` is of one
    of that instant's nodes; `drawn` is what was drawn from the chamber until then (mL)."""

    nodes: list[Node]
    levels: list[Decimal]
    index: int
    drawn: Decimal
    part: str = ""


def usable_level(
    nodes: Sequence[Node], index: int, connection: Connection, scale: Scale, earlier: Emptying | None
) -> Decimal | None:
    """The level (mL) of the node at `index` as an anchor of the connection; None also where it is of an act that is
    charted again, or where a change of its own minute states another. `earlier` is the tip or emptying that counted
    last before that minute."""
    level = level_on(nodes[index], connection, scale)
    if level is None or is_of_repeated(nodes, index, connection, scale, level, earlier):
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
    earlier: Emptying | None,
) -> LevelsAhead | None:
    """What is read or stated next of the connection after the instant of `index` and not later than `until`; None where
    there is nothing or where something before it explains a fall. `earlier` is the tip or emptying that counted last
    before the instant of `index`; here a level was read, so that what comes later repeats nothing from before."""
    here = nodes[index].order
    drawn = ZERO
    for ahead in range(index + 1, len(nodes)):
        node = nodes[ahead]
        if node.order.at > until:
            return None
        record = node.record
        if type(record) is Event:
            at_once = node.order.at == here.at
            if closes(nodes, ahead, connection, scale, earlier if at_once else None):
                return None if at_once else _closed_at(nodes, ahead, connection, scale, priorities, drawn)
            taken = drawn_by(record, connection)
            if taken is None:
                return None
            drawn += taken
        elif node.order[:2] != here[:2] and usable_level(nodes, ahead, connection, scale, None) is not None:
            found = rivals(nodes, ahead, connection, scale, priorities, None)
            levels = [level for rival in found if (level := level_on(rival, connection, scale)) is not None]
            return LevelsAhead(found, [scale.read(level) for level in levels], ahead, drawn)
    return None


def _closed_at(
    nodes: Sequence[Node],
    index: int,
    connection: Connection,
    scale: Scale,
    priorities: Mapping[str, int],
    drawn: Decimal,
) -> LevelsAhead | None:
    """The level at which the act or change at `index` closes the connection: the one that it states, or for a unit that
    came off one that was charted afterwards."""
    node = nodes[index]
    stated, part = closing_level(node)
    if stated is not None and scale.refuse(stated) is None:
        return LevelsAhead([node], [scale.read(stated)], index, drawn, part)
    if node.placement is None or node.placement.tip:
        return None
    late = last_level(nodes, index, connection, scale, priorities)
    if late is None:
        return None
    for event, _ in given_back_since(nodes, index, late, connection):
        if event.volume is None:
            return None
        drawn += event.volume
    return LevelsAhead([late.node], [scale.read(late.level)], index, drawn, late.part)
