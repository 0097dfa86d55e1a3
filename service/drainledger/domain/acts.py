"""Tips and emptyings: what one states of a chamber, and which charts another one again (DESIGN 4)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from drainledger.domain.entries import Connection, LevelRef
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import Node
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.records import Event
from drainledger.domain.state import ZERO, Emptying


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
