"""One reading alone: a slip of the pen must not add to a total (DESIGN 4 'One reading alone')."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from msgspec.structs import replace

from drainledger.domain.entries import Connection, Ground
from drainledger.domain.folding.page import Page, level_of, mark
from drainledger.domain.levels import Scale
from drainledger.domain.neighbours import next_level, rivals
from drainledger.domain.nodes import MISREADING_SPAN, Node, level_on
from drainledger.domain.quantities import plain
from drainledger.domain.records import Reading
from drainledger.domain.state import ZERO


class _Misfit(NamedTuple):
    """What a level that alone makes the level fall leaves to be said: the output without it and the larger answer, if
    the unit was changed (mL), and the reading after it."""

    output: Decimal
    larger: Decimal
    ahead: Node


def anchor_here(page: Page, connection: Connection, scale: Scale) -> Node:
    """Of the readings of this chamber at this instant, the one that counts; found once for all of them. One that
    alone makes the level fall gives way to one that does not."""
    at, rank = page.node.order[:2]
    known = page.chosen
    if known is not None and known[:3] == (at, rank, connection):
        return known[3]
    priorities = page.rules_now().priorities
    found = rivals(page.nodes, page.index, connection, scale, priorities, page.flow.emptying)
    chosen = found[0]
    if len(found) > 1:
        chosen = next((rival for rival in found if _fits(page, rival, connection, scale)), chosen)
    page.chosen = (at, rank, connection, chosen)
    return chosen


def _fits(page: Page, rival: Node, connection: Connection, scale: Scale) -> bool:
    level = level_on(rival, connection, scale)
    assert level is not None, "rivals have levels"
    return _misfit(page, connection, scale, level, page.node.order.at + MISREADING_SPAN) is None


def is_misread(page: Page, reading: Reading, connection: Connection, scale: Scale, stated: Decimal) -> bool:
    """One reading alone: of three within 4 hours, the middle one that alone makes the level fall."""
    flow = page.flow
    if flow.read_at is None or reading.at > flow.read_at + MISREADING_SPAN:
        return False
    misfit = _misfit(page, connection, scale, stated, flow.read_at + MISREADING_SPAN)
    if misfit is None:
        return False
    base = level_of(flow.baseline.ref if flow.baseline is not None else None)
    page.flow = replace(flow, larger=plain(max(misfit.larger, flow.larger or ZERO)))
    page.note(
        "suspected-misread",
        (page.own("level"), base, Ground(misfit.ahead.record.key, "level")),
        level=stated,
        output=misfit.output,
        larger=misfit.larger,
        start=flow.anchored_at or reading.at,
    )
    mark(page, reading, connection, stated, "suspected-misread")
    return True


def _misfit(
    page: Page, connection: Connection, scale: Scale, stated: Decimal, until: datetime
) -> _Misfit | None:
    """Whether a level (mL), between the baseline and what is read next, by `until`, alone makes the level fall."""
    flow = page.flow
    baseline = flow.baseline
    if baseline is None or scale.may_reset() or flow.drawn.not_stated:
        return None
    level = scale.read(stated)
    ahead = next_level(page.nodes, page.index, connection, scale, until, page.rules_now().priorities)
    if ahead is None:
        return None
    first = level - baseline.level + flow.drawn.volume
    second = ahead.level - level + ahead.drawn
    whole = first + second
    first_falls = first < -scale.tolerance(baseline.level, level)
    second_falls = second < -scale.tolerance(max(baseline.level, level), ahead.level)
    if not (first_falls or second_falls) or whole < -scale.tolerance(baseline.level, ahead.level):
        return None
    larger = (ZERO if first_falls else max(first, ZERO)) + (ZERO if second_falls else max(second, ZERO))
    return _Misfit(max(whole, ZERO), larger, ahead.node)
