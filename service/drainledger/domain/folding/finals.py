"""Levels that changes state, and those of a unit that came off before they were charted (DESIGN 4 'Events')."""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain.entries import Connection, LevelRef
from drainledger.domain.folding.intervals import Anchor, anchor_at, draw
from drainledger.domain.folding.page import Page, contest, disagreement, level_of, mark, unverified
from drainledger.domain.last_levels import LastLevel, given_back_since, is_of_unit_off
from drainledger.domain.levels import Scale
from drainledger.domain.state import ZERO
from drainledger.domain.topology import Placement


def stated_level(
    page: Page,
    placement: Placement,
    connection: Connection,
    scale: Scale | None,
    level: Decimal | None,
    name: str,
) -> Decimal | None:
    """A level that an event states, marked; None where there is none that can be used."""
    if level is None:
        return None
    why = "no-such-chamber" if scale is None else scale.refuse(level)
    mark(page, placement.event, connection, level, why, placement.part + name)
    if why is not None:
        capacity = (scale.capacity if scale is not None else None) or ZERO
        page.note(why, (page.own("level", placement.part + name),), level=level, base=capacity)
        return None
    return level


def close_with(page: Page, late: LastLevel, placement: Placement, closed: Connection, scale: Scale) -> None:
    """The unit's last level was charted after it came off; what was drawn from it until then counts."""
    for event, stated in given_back_since(page.nodes, page.index, late, closed):
        draw(page, event, stated, closed)
    record = late.node.record
    ref = LevelRef(record.key, late.part)
    stamp = max(page.node.stamp, late.node.stamp)
    anchor = Anchor(scale.read(late.level), ref, record.at, stamp, unverified(record), None, (record.key,))
    anchor_at(page, anchor, scale, placement.part)
    page.flow = replace(page.flow, finals=(*page.flow.finals, (record.key, closed)))


def is_last_level(page: Page, placement: Placement) -> bool:
    """Whether the level that it states was taken for the last one of a unit that came off before."""
    return any(owner == placement.event.key for owner, _ in page.flow.finals)


def late_final(page: Page, placement: Placement) -> bool:
    """A last level that is charted when the unit is off already; answers whether it is used. What isn't is told."""
    level = placement.final_level
    if not placement.late_final or level is None:
        return False
    flow, key, at = page.flow, placement.event.key, page.node.order.at
    closed = flow.closed
    part = placement.part + "final"
    taken = next((connection for owner, connection in flow.finals if owner == key), None)
    if taken is not None:
        page.flow = replace(flow, finals=tuple(final for final in flow.finals if final[0] != key))
        mark(page, placement.event, taken, level, part=part)
        return True
    if closed is None or not is_of_unit_off(closed.at, at, flow.connection is None):
        page.note("final-level-not-used", level=level)
        return False
    scale = page.scale(closed.connection, closed.judged)
    if scale is None or scale.refuse(level) is not None:
        stated_level(page, placement, closed.connection, scale, level, "final")
    elif closed.level is None:
        # A device's count goes on through a change of its container: it has no last level.
        page.note("final-level-not-used", (page.own("level", part),), level=level)
        mark(page, placement.event, closed.connection, level, "final-level-not-used", part)
    else:
        why = disagreement(scale, level, closed.level)
        if placement.status == "used" or why != "read-twice":
            grounds = (page.own("level", part), level_of(closed.ref))
            contest(page, why, grounds, level, (closed.level, closed.level_at or closed.at), "last")
        mark(page, placement.event, closed.connection, level, why, part)
    return False
