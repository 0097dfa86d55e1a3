"""One reading alone: a slip of the pen must not add to a total (DESIGN 4 'One reading alone')."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from msgspec.structs import replace

from drainledger.domain.entries import Connection, Ground
from drainledger.domain.folding.page import Page, level_of, mark
from drainledger.domain.levels import Scale
from drainledger.domain.neighbours import next_levels, rivals
from drainledger.domain.nodes import MISREADING_SPAN, Node, level_on
from drainledger.domain.quantities import plain
from drainledger.domain.records import Reading
from drainledger.domain.state import ZERO


class _Misfit(NamedTuple):
    """What a level that alone makes the level fall leaves to be said: the output without it and the larger answer, if
    the unit was changed (mL)."""

    output: Decimal
    larger: Decimal


class _Ahead(NamedTuple):
    """The next level (mL, as read), whose it is, and what was drawn until then (mL)."""

    level: Decimal
    node: Node
    drawn: Decimal


def anchor_here(page: Page, connection: Connection, scale: Scale) -> Node:
    """Of the readings of this chamber at this instant, the one that counts; found once for all of them. One that
    alone makes the level fall gives way to one that does not."""
    at, rank = page.node.order[:2]
    known = page.chosen
    if known is not None and known[:3] == (at, rank, connection):
        return known[3]
    priorities = page.rules_now().priorities
    found = rivals(page.nodes, page.index, connection, scale, priorities, page.flow.emptying)
    chosen = _best(page, found, page.index, ZERO, connection, scale)
    page.chosen = (at, rank, connection, chosen)
    return chosen


def _best(
    page: Page, found: Sequence[Node], index: int, drawn: Decimal, connection: Connection, scale: Scale
) -> Node:
    """Of the rivals at the instant of `index` the one that counts where the baseline in place stands before them and
    `drawn` (mL) is drawn besides until then: the first that does not alone make the level fall."""
    if len(found) == 1:
        return found[0]
    until = page.nodes[index].order.at + MISREADING_SPAN
    ahead = _next(page, index, connection, scale, until)
    if ahead is None:
        return found[0]
    fits = (r for r in found if _misfit(page, scale, _level_of(r, connection, scale), drawn, ahead) is None)
    return next(fits, found[0])


def _next(page: Page, index: int, connection: Connection, scale: Scale, until: datetime) -> _Ahead | None:
    """The level read next after the instant of `index`: of several the one that comes first by itself."""
    levels = next_levels(page.nodes, index, connection, scale, until, page.rules_now().priorities)
    if levels is None:
        return None
    first = levels.rivals[0]
    return _Ahead(_level_of(first, connection, scale), first, levels.drawn)


def _next_chosen(page: Page, connection: Connection, scale: Scale, until: datetime) -> _Ahead | None:
    """The level read next: of several the one that would count, were this node's not there."""
    levels = next_levels(page.nodes, page.index, connection, scale, until, page.rules_now().priorities)
    if levels is None:
        return None
    chosen = _best(page, levels.rivals, levels.index, levels.drawn, connection, scale)
    return _Ahead(_level_of(chosen, connection, scale), chosen, levels.drawn)


def _level_of(node: Node, connection: Connection, scale: Scale) -> Decimal:
    level = level_on(node, connection, scale)
    assert level is not None, "rivals have levels"
    return scale.read(level)


def is_misread(page: Page, reading: Reading, connection: Connection, scale: Scale, stated: Decimal) -> bool:
    """One reading alone: of three within 4 hours, the middle one that alone makes the level fall."""
    flow = page.flow
    if flow.read_at is None or reading.at > flow.read_at + MISREADING_SPAN:
        return False
    ahead = _next_chosen(page, connection, scale, flow.read_at + MISREADING_SPAN)
    misfit = _misfit(page, scale, scale.read(stated), ZERO, ahead) if ahead is not None else None
    if ahead is None or misfit is None:
        return False
    base = level_of(flow.baseline.ref if flow.baseline is not None else None)
    page.flow = replace(flow, larger=plain(max(misfit.larger, flow.larger or ZERO)))
    page.note(
        "suspected-misread",
        (page.own("level"), base, Ground(ahead.node.record.key, "level")),
        level=stated,
        output=misfit.output,
        larger=misfit.larger,
        start=flow.anchored_at or reading.at,
    )
    mark(page, reading, connection, stated, "suspected-misread")
    return True


def _misfit(page: Page, scale: Scale, level: Decimal, drawn: Decimal, ahead: _Ahead) -> _Misfit | None:
    """Whether a level (mL, as read) between the baseline and the next one alone makes the level fall. `drawn` (mL) is
    drawn before it, besides what is drawn already."""
    flow = page.flow
    baseline = flow.baseline
    if baseline is None or scale.may_reset() or flow.drawn.not_stated:
        return None
    first = level - baseline.level + flow.drawn.volume + drawn
    second = ahead.level - level + ahead.drawn
    whole = first + second
    first_falls = first < -scale.tolerance(baseline.level, level)
    second_falls = second < -scale.tolerance(max(baseline.level, level), ahead.level)
    if not (first_falls or second_falls) or whole < -scale.tolerance(baseline.level, ahead.level):
        return None
    larger = (ZERO if first_falls else max(first, ZERO)) + (ZERO if second_falls else max(second, ZERO))
    return _Misfit(max(whole, ZERO), larger)
