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
from drainledger.domain.neighbours import LevelsAhead, next_levels, rivals
from drainledger.domain.nodes import MISREADING_SPAN, Node, level_on
from drainledger.domain.quantities import plain
from drainledger.domain.records import Reading
from drainledger.domain.state import ZERO, Emptying


class _Misfit(NamedTuple):
    """What a level that alone makes the level fall leaves to be said: the output without it and the larger answer, if
    the unit was changed (mL)."""

    output: Decimal
    larger: Decimal


class _Ahead(NamedTuple):
    """The next level (mL, as read), whose it is, and what was drawn until then (mL)."""

    level: Decimal
    ground: Ground
    drawn: Decimal


def anchor_here(page: Page, connection: Connection, scale: Scale) -> Node:
    """Of the readings of this chamber at this instant, the one that counts; found once for all of them. One that
    alone makes the level fall gives way to one that does not."""
    at, rank = page.node.order[:2]
    known = page.chosen
    if known is not None and known[:3] == (at, rank, connection):
        return known[3]
    earlier = page.flow.emptying
    found = rivals(page.nodes, page.index, connection, scale, page.rules_now().priorities, earlier)
    chosen = found[0]
    if len(found) > 1:
        levels = [level for rival in found if (level := level_on(rival, connection, scale)) is not None]
        after = _next(page, page.index, connection, scale, at + MISREADING_SPAN, earlier)
        chosen = found[_first_that_fits(page, scale, [scale.read(level) for level in levels], ZERO, after)]
    page.chosen = (at, rank, connection, chosen)
    return chosen


def _first_that_fits(
    page: Page, scale: Scale, levels: Sequence[Decimal], drawn: Decimal, after: LevelsAhead | None
) -> int:
    """Which of an instant's levels (mL), best first, counts after the baseline in place and before what comes `after`:
    the first that does not alone make the level fall. `drawn` (mL) is drawn besides until then."""
    if after is not None:
        ahead = _ahead(after, 0)
        for index, level in enumerate(levels):
            if _misfit(page, scale, level, drawn, ahead) is None:
                return index
    return 0


def _next(
    page: Page,
    index: int,
    connection: Connection,
    scale: Scale,
    until: datetime,
    earlier: Emptying | None = None,
) -> LevelsAhead | None:
    priorities = page.rules_now().priorities
    return next_levels(page.nodes, index, connection, scale, until, priorities, earlier)


def _ahead(levels: LevelsAhead, index: int) -> _Ahead:
    ground = Ground(levels.nodes[index].record.key, "level", levels.part)
    return _Ahead(levels.levels[index], ground, levels.drawn)


def _next_level(page: Page, connection: Connection, scale: Scale, until: datetime) -> _Ahead | None:
    """The next level by an instant: of several the one that would count, were this node's not there."""
    found = _next(page, page.index, connection, scale, until, page.flow.emptying)
    if found is None:
        return None
    if len(found.levels) == 1:
        return _ahead(found, 0)
    later = page.nodes[found.index].order.at + MISREADING_SPAN
    after = _next(page, found.index, connection, scale, later)
    return _ahead(found, _first_that_fits(page, scale, found.levels, found.drawn, after))


def is_misread(page: Page, reading: Reading, connection: Connection, scale: Scale, stated: Decimal) -> bool:
    """One reading alone: of three within 4 hours, the middle one that alone makes the level fall. The third may be a
    level that an act or a change states."""
    flow = page.flow
    if flow.read_at is None or reading.at > flow.read_at + MISREADING_SPAN:
        return False
    ahead = _next_level(page, connection, scale, flow.read_at + MISREADING_SPAN)
    misfit = _misfit(page, scale, scale.read(stated), ZERO, ahead) if ahead is not None else None
    if ahead is None or misfit is None:
        return False
    base = level_of(flow.baseline.ref if flow.baseline is not None else None)
    page.flow = replace(flow, larger=plain(max(misfit.larger, flow.larger or ZERO)))
    page.note(
        "suspected-misread",
        (page.own("level"), base, ahead.ground),
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
