"""Changes of connection, tips and emptying: one chamber closes, another opens (DESIGN 4 'Events')."""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain import bedside as at_bedside
from drainledger.domain.entries import Connection, LevelMark, LevelRef
from drainledger.domain.folding.intervals import Anchor, anchor_at, close_unread, draw
from drainledger.domain.folding.page import Page, Status, disagreement, level_of, read_otherwise, unverified
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import LastLevel, is_of_unit_off, last_level, repeated
from drainledger.domain.records import Event
from drainledger.domain.state import NOTHING_DRAWN, ZERO, Baseline, Chain, Closed
from drainledger.domain.topology import Judged, Placement


def take_change(page: Page, placement: Placement) -> Status:
    if placement.status != "used":
        page.note(placement.why or "not-connected", start=page.node.order.at)
        return "used" if _late_final(page, placement) else placement.status
    if _charted_already(page, placement.closed):
        return "set-aside"
    event = placement.event
    closed, opened = placement.closed, placement.opened
    if closed is None:
        _late_final(page, placement)
    carried = _carries_count(page, placement)
    if closed is not None:
        _close(page, placement, closed, carried)
    if opened is not None and placement.judged is not None:
        _open(page, placement, opened, placement.judged, carried)
    elif closed is not None:
        page.flow = replace(
            page.flow,
            connection=None,
            baseline=None,
            read_at=None,
            drawn=NOTHING_DRAWN,
            anchored_at=None,
            nearly_full=False,
            judged=None,
        )
        page.bedside = replace(page.bedside, read_at=None)
    if event.kind == "removed":
        page.flow = replace(page.flow, removed=True)
        page.bedside = at_bedside.take_out(page.bedside, event)
    return "used"


def _carries_count(page: Page, placement: Placement) -> bool:
    """A device's count goes on when only its container was changed."""
    closed, opened, judged = placement.closed, placement.opened, placement.judged
    if closed is None or opened is None or judged is None or placement.tip:
        return False
    if closed.reads != "counter" or opened.reads != "counter":
        return False
    rules = judged.profile.counter
    return rules is None or not rules.restarts_with_container


def _close(page: Page, placement: Placement, closed: Connection, carried: bool) -> None:
    judged = page.flow.judged
    if judged is None or closed.reads == "volume":
        if not placement.tip:
            page.flow = replace(page.flow, closed=None)
        return
    scale = page.scale(closed, judged)
    name = "before" if placement.tip else "final"
    level = _stated(page, placement, closed, scale, placement.final_level, name)
    ref: LevelRef | None = None
    if level is not None and scale is not None:
        ref = LevelRef(placement.event.key, placement.part + name)
        at = page.node.order.at
        anchor_at(
            page,
            Anchor(scale.read(level), ref, at, page.node.stamp, unverified(placement.event)),
            scale,
            placement.part,
        )
    elif not carried:
        late = None if placement.tip or scale is None else last_level(page.nodes, page.index, closed, scale)
        if late is not None and scale is not None:
            level, ref = late.level, LevelRef(late.node.record.key, late.part)
            _close_with(page, late, placement, closed, scale)
        else:
            close_unread(page, placement, "closing-level-not-charted")
    if not placement.tip:
        page.flow = replace(page.flow, closed=Closed(closed, judged, page.node.order.at, level, ref))


def _close_with(page: Page, late: LastLevel, placement: Placement, closed: Connection, scale: Scale) -> None:
    """The unit's last level was charted after it came off; what was drawn from it until then counts."""
    for ahead in range(page.index + 1, len(page.nodes)):
        node = page.nodes[ahead]
        if node is late.node:
            break
        record = node.record
        if type(record) is Event and record.kind == "reinfused" and record.collector == closed.collector:
            draw(page, record, node.stamp, closed)
    record = late.node.record
    ref = LevelRef(record.key, late.part)
    stamp = max(page.node.stamp, late.node.stamp)
    anchor = Anchor(scale.read(late.level), ref, record.at, stamp, unverified(record), None, (record.key,))
    anchor_at(page, anchor, scale, placement.part)
    page.flow = replace(page.flow, finals=(*page.flow.finals, (record.key, closed)))


def _late_final(page: Page, placement: Placement) -> bool:
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
        return _mark_stated(page, placement, taken, part, level, None)
    if closed is None or not is_of_unit_off(closed.at, at, flow.connection is None):
        page.note("final-level-not-used", level=level)
        return False
    scale = page.scale(closed.connection, closed.judged)
    if closed.level is None or scale is None:
        if _stated(page, placement, closed.connection, scale, level, "final") is not None:
            page.note("final-level-not-used", (page.own("level", part),), level=level)
        return False
    why = disagreement(scale, level, closed.level)
    if placement.status == "used" or why != "read-twice":
        page.note(why, (page.own("level", part), level_of(closed.ref)), level=level, base=closed.level)
    return _mark_stated(page, placement, closed.connection, part, level, why)


def _stated(
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
    _mark_stated(page, placement, connection, placement.part + name, level, why)
    if why is not None:
        capacity = (scale.capacity if scale is not None else None) or ZERO
        page.note(why, (page.own("level", placement.part + name),), level=level, base=capacity)
        return None
    return level


def _mark_stated(
    page: Page, placement: Placement, connection: Connection, part: str, level: Decimal, why: str | None
) -> bool:
    """The level of an event, used unless there is a reason why not; answers whether it is used."""
    page.levels.append(
        LevelMark(
            owner=placement.event.key,
            part=part,
            at=placement.event.at,
            collector=connection.collector,
            chamber=connection.chamber,
            value=level,
            used=why is None,
            why=why,
            counter=connection.reads == "counter",
        )
    )
    return why is None


def _open(page: Page, placement: Placement, opened: Connection, judged: Judged, carried: bool) -> None:
    at = page.node.order.at
    page.speaks_of = opened
    sums = page.sums
    flow = replace(page.flow, connection=opened, judged=judged, nearly_full=False)
    if carried:
        page.flow = flow
        if placement.start_stated and placement.start_level is not None:
            page.note("count-goes-on", level=placement.start_level)
        return
    page.flow = replace(
        flow,
        baseline=None,
        anchored_at=at,
        read_at=None,
        drawn=NOTHING_DRAWN,
        larger=None,
        last_amount_at=None,
        last_amount=None,
    )
    if not placement.tip:
        page.bedside = replace(page.bedside, read_at=at)
    chain: Chain | None = None
    if opened.reads != "volume":
        scale = page.scale(opened, judged)
        name = "after" if placement.tip else "start"
        level, ref = placement.start_level, None
        if placement.start_stated:
            level = _stated(page, placement, opened, scale, level, name)
            ref = LevelRef(placement.event.key, placement.part + name)
        if level is not None and scale is not None:
            chain = _start_at(page, scale.read(level), scale, ref, placement.event)
    squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
    page.sums = replace(sums, since=sums.since or at, squares=squares, chain=chain)


def _start_at(page: Page, level: Decimal, scale: Scale, ref: LevelRef | None, event: Event) -> Chain:
    resolution = scale.start_resolution(level)
    page.flow = replace(
        page.flow,
        baseline=Baseline(
            level=level,
            resolution=resolution,
            ref=ref,
            at=page.node.order.at,
            stamp=page.node.stamp,
            preliminary=unverified(event),
        ),
    )
    return Chain(resolution)


def emptied(page: Page, event: Event) -> Status:
    """Emptied by hand: closes at `level_before`, goes on from 0 unless another level is stated."""
    flow = page.flow
    connection, judged = flow.connection, flow.judged
    if connection is None or judged is None:
        ever = any(earlier.start <= event.at for earlier in page.connections)
        page.note("not-connected" if ever else "not-connected-yet")
        return "set-aside" if ever else "waiting"
    if connection.reads != "level":
        return read_otherwise(page, connection)
    if _emptied_already(page, event):
        page.note("charted-already", start=event.at)
        return "set-aside"
    if _charted_already(page, connection):
        return "set-aside"
    placement = Placement(
        event=event,
        status="used",
        closed=connection,
        opened=connection,
        judged=judged,
        final_level=event.level_before,
        start_level=ZERO if event.level_after is None else event.level_after,
        start_stated=event.level_after is not None,
        tip=True,
    )
    _close(page, placement, connection, carried=False)
    _open(page, placement, connection, judged, carried=False)
    return "used"


def _charted_already(page: Page, connection: Connection | None) -> bool:
    """Whether another nurse charted this tip or emptying a little earlier: the earlier one counts."""
    judged = page.flow.judged
    if connection is None or judged is None:
        return False
    earlier = repeated(page.nodes, page.index, connection, page.scale(connection, judged))
    if earlier is not None:
        page.note("charted-already", start=earlier.order.at)
    return earlier is not None


def _emptied_already(page: Page, event: Event) -> bool:
    """Whether another emptying of the same instant counts: the one that states a level, then the first by id."""
    rivals = [event]
    for step in (-1, 1):
        index = page.index + step
        while 0 <= index < len(page.nodes) and page.nodes[index].order.at == event.at:
            other = page.nodes[index].record
            if isinstance(other, Event) and other.kind == "emptied":
                rivals.append(other)
            index += step
    return min(rivals, key=lambda e: (e.level_before is None, e.key.id, e.key.source)) is not event
