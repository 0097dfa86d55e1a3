"""One reading alone: a slip of the pen must not add to a total (DESIGN 4 'One reading alone')."""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain.entries import Connection, Ground
from drainledger.domain.folding.page import Page, level_of, mark
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import NEAR, next_level
from drainledger.domain.quantities import plain
from drainledger.domain.records import Reading
from drainledger.domain.state import ZERO


def is_misread(page: Page, reading: Reading, connection: Connection, scale: Scale, stated: Decimal) -> bool:
    """One reading alone: of three within 4 hours, the middle one that alone makes the level fall."""
    flow = page.flow
    baseline = flow.baseline
    if baseline is None or flow.read_at is None or scale.may_reset() or flow.drawn.not_stated:
        return False
    until = flow.read_at + NEAR
    if reading.at > until:
        return False
    level = scale.read(stated)
    # Cheap and usual: with no fall to here, only a fall from here could set it aside.
    ahead = next_level(page.nodes, page.index, connection, scale, until, page.rules_now().priorities)
    if ahead is None:
        return False
    first = level - baseline.level + flow.drawn.volume
    second = ahead.level - level + ahead.drawn
    whole = first + second
    first_falls = first < -scale.tolerance(baseline.level, level)
    second_falls = second < -scale.tolerance(max(baseline.level, level), ahead.level)
    if not (first_falls or second_falls) or whole < -scale.tolerance(baseline.level, ahead.level):
        return False
    larger = (ZERO if first_falls else max(first, ZERO)) + (ZERO if second_falls else max(second, ZERO))
    page.flow = replace(flow, larger=plain(max(larger, flow.larger or ZERO)))
    page.note(
        "suspected-misread",
        (page.own("level"), level_of(baseline.ref), Ground(ahead.node.record.key, "level")),
        level=stated,
        output=max(whole, ZERO),
        larger=larger,
        start=flow.anchored_at or reading.at,
    )
    mark(page, reading, connection, stated, used=False, why="suspected-misread")
    return True
