"""Readings: which connection one speaks of, and whether it is an anchor, an amount, or neither (DESIGN 4)."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain.acts import is_of_repeated, level_stated_here
from drainledger.domain.entries import Connection, Ground, LevelRef
from drainledger.domain.folding.intervals import Anchor, Ending, anchor_at, emit
from drainledger.domain.folding.misreading import anchor_here, is_misread
from drainledger.domain.folding.observed import observe, overdue
from drainledger.domain.folding.page import (
    READ_BY,
    Page,
    Status,
    contest,
    disagreement,
    level_of,
    mark,
    read_otherwise,
    unverified,
)
from drainledger.domain.levels import Output, Scale
from drainledger.domain.neighbours import usable_level
from drainledger.domain.nodes import CHECK_WITHIN, Node, amount_read, level_on
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.records import Reading
from drainledger.domain.state import ZERO, Closed


def take_reading(page: Page, reading: Reading) -> Status:
    status = _amount(page, reading)
    if status == "waiting":
        return status
    overdue(page, reading)
    observe(page, reading)
    return status


def _amount(page: Page, reading: Reading) -> Status:
    """Whatever the reading says of the amount: an anchor, a charted amount, or neither."""
    flow = page.flow
    connection = flow.connection
    named = reading.collector
    has_amount = reading.level is not None or reading.volume is not None or reading.counter is not None
    if named is not None and (connection is None or named != connection.collector):
        return _of_another_unit(page, reading, named)
    if flow.removed:
        page.note("drain-removed")
        return "set-aside"
    if not has_amount:
        return "used"
    if connection is None:
        if page.drain.reads == "volume":
            return _by_volume(page, reading)
        page.note("not-connected-yet")
        return "waiting"
    if connection.reads == "volume":
        return _by_volume(page, reading)
    return _by_level(page, reading, connection)


def _of_another_unit(page: Page, reading: Reading, named: str) -> Status:
    closed = page.flow.closed
    at = reading.at
    final = next((connection for key, connection in page.flow.finals if key == reading.key), None)
    if final is not None:
        return _final_reading(page, reading, final)
    if closed is not None and closed.connection.collector == named:
        page.speaks_of = closed.connection
        scale = page.scale(closed.connection, closed.judged)
        level = amount_read(reading, closed.connection)
        if level is None:
            return "used" if reading.volume is None else read_otherwise(page, closed.connection)
        if scale is not None and closed.level is not None and at - closed.at <= CHECK_WITHIN:
            return _check_against(page, reading, closed, scale, level)
        return _set_level_aside(page, reading, closed.connection, level, "collector-not-in-place")
    known = [c for c in page.connections if c.collector == named and c.start <= at]
    if known:
        page.speaks_of = known[-1]
        level = amount_read(reading, known[-1])
        if level is None:
            page.note("collector-not-in-place")
            return "set-aside"
        return _set_level_aside(page, reading, known[-1], level, "collector-not-in-place")
    page.note("unit-change-not-charted")
    return "waiting"


def _final_reading(page: Page, reading: Reading, connection: Connection) -> Status:
    """A reading that a change before it took for the last level of the unit that came off, whatever came between."""
    page.flow = replace(page.flow, finals=tuple(f for f in page.flow.finals if f[0] != reading.key))
    page.speaks_of = connection
    level = amount_read(reading, connection)
    assert level is not None, "only a reading with a level is taken for a final one"
    return mark(page, reading, connection, level)


def _charted_since(page: Page, start: datetime) -> Decimal:
    """The amounts whose periods end after an instant, mL."""
    total = ZERO
    for node in reversed(page.nodes[: page.index]):
        if node.order.at <= start:
            break
        interval = node.entry.interval if node.entry is not None else None
        if interval is not None and interval.output is not None:
            total += interval.output
    return total


def _check_against(page: Page, reading: Reading, closed: Closed, scale: Scale, level: Decimal) -> Status:
    """A second level of a unit that came off with a known one: a check, no anchor."""
    final = closed.level or ZERO
    why = disagreement(scale, level, final)
    grounds = (page.own("level"), level_of(closed.ref))
    contest(page, why, grounds, level, (final, closed.level_at or closed.at), "last")
    return mark(page, reading, closed.connection, level, why)


def _by_level(page: Page, reading: Reading, connection: Connection) -> Status:
    level = amount_read(reading, connection)
    if level is None:
        return read_otherwise(page, connection)
    judged = page.flow.judged
    scale = page.scale(connection, judged) if judged is not None else None
    if scale is None:
        return _set_level_aside(page, reading, connection, level, "no-such-chamber")
    refused = scale.refuse(level)
    if refused is not None:
        return _set_level_aside(page, reading, connection, level, refused, base=scale.capacity or ZERO)
    if scale.finer_than_graduation(level):
        step = scale.chamber.graduation(level)
        page.note("finer-than-graduation", (page.own("level"),), level=level, tolerance=step)
    earlier = page.flow.emptying
    if earlier is not None and is_of_repeated(page.nodes, page.index, connection, scale, level, earlier):
        page.note("charted-already", (page.own("level"),), start=earlier.at)
        return mark(page, reading, connection, level, "charted-already")
    if earlier is not None and earlier.read_at is None:
        page.flow = replace(page.flow, emptying=earlier._replace(read_at=reading.at))
    if usable_level(page.nodes, page.index, connection, scale, earlier) is None:
        base, ref = level_stated_here(page.nodes, page.index, connection, scale, earlier) or (ZERO, None)
        grounds = (page.own("level"), level_of(ref))
        contest(page, "readings-disagree", grounds, level, (base, reading.at), "act")
        return mark(page, reading, connection, level, "readings-disagree")
    chosen = anchor_here(page, connection, scale)
    if chosen is not page.node:
        return _second_reading(page, reading, connection, scale, level, chosen)
    if is_misread(page, reading, connection, scale, level):
        return "set-aside"
    mark(page, reading, connection, level)
    ref = LevelRef(reading.key, "")
    anchor_at(
        page,
        Anchor(scale.read(level), ref, reading.at, page.node.stamp, unverified(reading), reading.at),
        scale,
    )
    _cross_check(page, reading, scale)
    _fullness(page, scale, scale.read(level))
    return "used"


def _set_level_aside(
    page: Page, reading: Reading, connection: Connection, level: Decimal, why: str, base: Decimal = ZERO
) -> Status:
    page.note(why, (page.own("level"),), level=level, base=base)
    return mark(page, reading, connection, level, why)


def _second_reading(
    page: Page, reading: Reading, connection: Connection, scale: Scale, level: Decimal, chosen: Node
) -> Status:
    other = level_on(chosen, connection, scale) or ZERO
    why = disagreement(scale, level, other)
    grounds = (page.own("level"), Ground(chosen.record.key, "level"))
    contest(page, why, grounds, level, (other, reading.at), _decided(page, chosen, other <= level))
    return mark(page, reading, connection, level, why)


def _decided(page: Page, chosen: Node, is_lower: bool) -> str:
    """Why another reading of this instant counts: its source's priority, that it is the lower, or what it fits."""
    priorities = page.rules_now().priorities
    ours, its = (priorities.get(node.order.source, 0) for node in (page.node, chosen))
    if its > ours:
        return "source"
    return "lower" if its == ours and is_lower else "fits"


def _cross_check(page: Page, reading: Reading, scale: Scale) -> None:
    """An amount charted beside a level."""
    interval = page.interval
    if reading.volume is None or interval is None or interval.output is None or reading.level is None:
        return
    if abs(reading.volume - interval.output) > scale.tolerance(reading.level, reading.level):
        grounds = (page.own("level"), page.own("output", interval.part))
        page.note("level-volume-mismatch", grounds, output=interval.output, volume=reading.volume)


def _fullness(page: Page, scale: Scale, level: Decimal) -> None:
    rule = "chamber-nearly-full"
    capacity = scale.capacity
    if capacity is None or not page.rule_on(rule):
        return
    share = scale.profile.nearly_full or page.limit(rule, "share")
    if share is None:
        return
    nearly = level >= share * capacity
    if nearly and not page.flow.nearly_full and level < capacity:
        page.note(rule, (page.own("level"),), level=level, base=capacity)
    if nearly != page.flow.nearly_full:
        page.flow = replace(page.flow, nearly_full=nearly)


def _by_volume(page: Page, reading: Reading) -> Status:
    """A charted amount over (from, at], or since the previous amount."""
    flow = page.flow
    if reading.volume is None:
        shown = reading.level is not None and flow.connection is not None
        page.note("reads-otherwise", (page.own("level"),) if shown else (), wanted=READ_BY["volume"])
        if reading.level is not None and flow.connection is not None:
            mark(page, reading, flow.connection, reading.level, "reads-otherwise")
        return "set-aside"
    at = reading.at
    start = reading.from_ if reading.from_ is not None else flow.anchored_at
    out = Output(volume=reading.volume, bound="exact")
    overlaps = start is not None and flow.anchored_at is not None and start < flow.anchored_at
    if overlaps and start is not None:
        # What was charted for part of its period may be in it or not: only the rest is certain.
        certain = reading.volume - _charted_since(page, start)
        out = Output(volume=max(certain, ZERO), bound="at-least")
        start = flow.anchored_at
    output = None if start == at and reading.volume == 0 else page.own("output")
    if overlaps:
        page.note("period-overlaps", (output, flow.last_amount))
    last = flow.last_amount_at
    if last is not None and at - last <= CHARTED_AGAIN:
        page.note("charted-twice", (output, flow.last_amount), start=last)
    page.flow = replace(flow, anchored_at=at, last_amount_at=at, last_amount=output)
    page.sums = replace(page.sums, since=page.sums.since or start or at, measured=False)
    if output is None:
        return "used"
    emit(page, Ending(out, start, page.node.stamp, unverified=unverified(reading)))
    return "used"
