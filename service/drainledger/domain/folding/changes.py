"""Changes of connection, tips and emptying: one chamber closes, another opens (DESIGN 4 'Events')."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain import bedside as at_bedside
from drainledger.domain.acts import contradicted, counts_of_its_minute, is_certain, repeats, stated_emptying
from drainledger.domain.entries import Connection, LevelRef
from drainledger.domain.folding.finals import close_with, is_last_level, late_final, stated_level
from drainledger.domain.folding.intervals import Anchor, anchor_at, close_unread
from drainledger.domain.folding.page import Page, Status, mark, read_otherwise, unverified
from drainledger.domain.last_levels import last_level
from drainledger.domain.levels import Scale
from drainledger.domain.records import Event
from drainledger.domain.state import NOTHING_DRAWN, ZERO, Baseline, Chain, Closed
from drainledger.domain.topology import Judged, Placement


def take_change(page: Page, placement: Placement) -> Status:
    if placement.status != "used":
        if placement.tip and placement.why == "charted-already" and placement.closed is not None:
            return _set_aside(page, placement, placement.closed, page.node.order.at)
        if placement.why != "drain-removed" or not is_last_level(page, placement):
            page.note(placement.why or "not-connected", start=page.node.order.at)
        return "used" if late_final(page, placement) else placement.status
    if placement.tip and placement.closed is not None and _charted_already(page, placement, placement.closed):
        return "set-aside"
    if not placement.tip:
        page.flow = replace(page.flow, emptying=None)
    event = placement.event
    closed, opened = placement.closed, placement.opened
    if closed is None:
        late_final(page, placement)
    carried = _carries_count(page, placement)
    before, after = _contradicted(page, closed) if placement.tip else (False, False)
    if before:
        page.flow = replace(page.flow, doubted=True)
    if closed is not None:
        _close(page, placement, closed, carried)
    if opened is not None and placement.judged is not None:
        _open(page, placement, opened, placement.judged, carried)
        page.flow = replace(page.flow, doubted=after)
    elif closed is not None:
        page.flow = replace(
            page.flow,
            connection=None,
            baseline=None,
            read_at=None,
            drawn=NOTHING_DRAWN,
            anchored_at=None,
            nearly_full=False,
            doubted=False,
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
    level = stated_level(page, placement, closed, scale, placement.final_level, name)
    ref: LevelRef | None = None
    at = level_at = page.node.order.at
    if level is not None and scale is not None:
        ref = LevelRef(placement.event.key, placement.part + name)
        anchor_at(
            page,
            Anchor(scale.read(level), ref, at, page.node.stamp, unverified(placement.event)),
            scale,
            placement.part,
        )
    elif not carried:
        late = None
        if not placement.tip and scale is not None:
            late = last_level(page.nodes, page.index, closed, scale, page.rules_now().priorities)
        if late is not None and scale is not None:
            level, ref = late.level, LevelRef(late.node.record.key, late.part)
            level_at = late.node.order.at
            close_with(page, late, placement, closed, scale)
        else:
            close_unread(page, placement, "closing-level-not-charted")
    if not placement.tip:
        page.flow = replace(page.flow, closed=Closed(closed, judged, at, level, ref, level_at))


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
            level = stated_level(page, placement, opened, scale, level, name)
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
    if not counts_of_its_minute(page.nodes, page.index):
        return _set_aside(page, placement, connection, event.at)
    return take_change(page, placement)


def _set_aside(page: Page, placement: Placement, connection: Connection, start: datetime) -> Status:
    """What charts an act again that is used, at `start`: its levels are shown."""
    stated = [("before", placement.final_level)]
    if placement.start_stated:
        stated.append(("after", placement.start_level))
    levels = [(placement.part + name, level) for name, level in stated if level is not None]
    page.note("charted-already", [page.own("level", part) for part, _ in levels], start=start)
    for part, level in levels:
        mark(page, placement.event, connection, level, "charted-already", part)
    return "set-aside"


def _charted_already(page: Page, placement: Placement, connection: Connection) -> bool:
    """Whether another nurse charted this tip or emptying a little earlier: the earlier one counts."""
    judged = page.flow.judged
    scale = page.scale(connection, judged) if judged is not None else None
    earlier, act = page.flow.emptying, stated_emptying(page.node, connection)
    if act is None or scale is None:
        return False
    if earlier is not None and repeats(act, earlier, scale):
        _set_aside(page, placement, connection, earlier.at)
        if not is_certain(act, earlier, scale):
            page.flow = replace(page.flow, doubted=True)
        return True
    page.flow = replace(page.flow, emptying=act)
    return False


def _contradicted(page: Page, connection: Connection | None) -> tuple[bool, bool]:
    """Whether another entry of this act states another level before it or after it."""
    judged = page.flow.judged
    scale = page.scale(connection, judged) if connection is not None and judged is not None else None
    act = stated_emptying(page.node, connection) if connection is not None else None
    return (
        (False, False) if act is None or scale is None else contradicted(page.nodes, page.index, act, scale)
    )
