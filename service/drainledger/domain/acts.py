"""Tips and emptyings: what one states of a chamber, and which charts another one again (DESIGN 4)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from drainledger.domain.entries import Connection, LevelRef
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import Node
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.records import Event
from drainledger.domain.state import ZERO, Emptying


def repeats(act: Emptying, earlier: Emptying | None, scale: Scale) -> bool:
    """Whether a tip or emptying charts the one that counted last again: within a quarter of an hour, no level read in
    between, with levels that differ by no more than the tolerance. A chamber does not fill to the same mark again in so
    short a time. One that does not say what was left repeats one that does, but not the other way round."""
    if earlier is None or act.kind != earlier.kind or not timedelta(0) < act.at - earlier.at <= CHARTED_AGAIN:
        return False
    if earlier.read_at is not None and earlier.read_at < act.at:
        return False
    if differ(scale, act.before, earlier.before) or differ(scale, act.after, earlier.after):
        return False
    return act.after is None or earlier.after is not None


def is_certain(act: Emptying, earlier: Emptying, scale: Scale) -> bool:
    """Whether nothing speaks against that an act repeats the one before: the levels are the same. At capacity they say
    little, for a full chamber stands at the same mark whatever came."""
    full = scale.capacity is not None and act.before >= scale.capacity
    return act[:3] == earlier[:3] and not full


def differ(scale: Scale, one: Decimal | None, other: Decimal | None) -> bool:
    """Whether two stated levels (mL) are further apart than the tolerance."""
    return one is not None and other is not None and abs(one - other) > scale.tolerance(one, other)


def contradicted(nodes: Sequence[Node], index: int, mine: Emptying, scale: Scale) -> tuple[bool, bool]:
    """Whether another act of the same kind and minute, which is set aside for the one at `index`, states another level
    before or after."""
    found = (_set_aside_for(nodes[index], nodes[at]) for at in _beside(nodes, index))
    others = [levels for levels in found if levels is not None]
    before = any(differ(scale, mine.before, its_before) for its_before, _ in others)
    return before, any(differ(scale, mine.after, its_after) for _, its_after in others)


def _set_aside_for(act: Node, other: Node) -> tuple[Decimal | None, Decimal | None] | None:
    """The levels of another act of the minute that is set aside for this one, None where it isn't."""
    mine, its = act.placement, other.placement
    if mine is not None:
        aside = its is not None and its.tip and its.why == "charted-already"
        return (its.final_level, its.start_level) if its is not None and aside else None
    record = other.record
    if its is None and type(record) is Event and record.kind == "emptied":
        return record.level_before, record.level_after or ZERO
    return None


def _beside(nodes: Sequence[Node], index: int) -> Iterator[int]:
    """The other nodes of an instant."""
    for step in (-1, 1):
        beside = index + step
        while 0 <= beside < len(nodes) and nodes[beside].order.at == nodes[index].order.at:
            yield beside
            beside += step


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
    where: it was looked at for the act, and a reading of that minute may be of after it. The first that is used tells:
    what comes after it is of what it left. `earlier` is the tip or emptying that counted last before that instant."""
    at = nodes[index].order.at
    for ahead in range(index + 1, len(nodes)):
        if nodes[ahead].order.at != at:
            return None
        if not closes(nodes, ahead, connection, scale, earlier):
            continue
        stated, part = closing_level(nodes[ahead])
        if stated is None or scale.refuse(stated) is not None:
            return None
        return stated, LevelRef(nodes[ahead].record.key, part)
    return None


def closes(
    nodes: Sequence[Node], index: int, connection: Connection, scale: Scale, earlier: Emptying | None
) -> bool:
    """Whether an act or a change is used and closes the connection. `earlier` is the tip or emptying that counted last
    before its instant, None where a level was read since."""
    if not _is_of(nodes, index, connection):
        return False
    act = stated_emptying(nodes[index], connection)
    return act is None or not repeats(act, earlier, scale)


def _is_of(nodes: Sequence[Node], index: int, connection: Connection) -> bool:
    """Whether an act or a change would close the connection if it repeated no other."""
    placement, record = nodes[index].placement, nodes[index].record
    if placement is not None:
        return placement.status == "used" and placement.closed == connection
    empties = type(record) is Event and record.kind == "emptied" and connection.reads == "level"
    return empties and counts_of_its_minute(nodes, index)


def is_of_repeated(
    nodes: Sequence[Node],
    index: int,
    connection: Connection,
    scale: Scale,
    level: Decimal,
    earlier: Emptying | None,
) -> bool:
    """Whether a level (mL) that is read at `index` is the one before an act that is charted again in its minute: who
    charts the act again charts what it found, too."""
    at = nodes[index].order.at
    if earlier is None:
        return False
    for ahead in range(index + 1, len(nodes)):
        if nodes[ahead].order.at != at or closes(nodes, ahead, connection, scale, earlier):
            return False
        act = stated_emptying(nodes[ahead], connection) if _is_of(nodes, ahead, connection) else None
        if act is not None and abs(level - act.before) <= scale.tolerance(level, act.before):
            return True
    return False


def closing_level(node: Node) -> tuple[Decimal | None, str]:
    """The level that an act or a change closes its connection with, mL, and its part."""
    placement = node.placement
    if placement is not None:
        return placement.final_level, placement.part + ("before" if placement.tip else "final")
    assert type(node.record) is Event
    return node.record.level_before, "before"


def counts_of_its_minute(nodes: Sequence[Node], index: int) -> bool:
    """Whether of the emptyings of one instant this is the one that counts: one that states how much there was, then one
    that states what was left, then the one that took less, then the first by id."""
    event = nodes[index].record
    assert type(event) is Event
    others = (nodes[at].record for at in _beside(nodes, index))
    rivals = [event, *(other for other in others if type(other) is Event and other.kind == "emptied")]

    def rank(event: Event) -> tuple[bool, bool, Decimal, str, str]:
        taken = (event.level_before or ZERO) - (event.level_after or ZERO)
        return event.level_before is None, event.level_after is None, taken, event.key.id, event.key.source

    return min(rivals, key=rank) is event
