"""Intervals and totals: what ends at an anchor (DESIGN 4 'Interval', 'Totals', 'Rates', 'Uncertainty')."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from msgspec.structs import replace

from drainledger.domain import attention
from drainledger.domain import levels as between
from drainledger.domain.entries import Connection, Ground, Interval, LevelRef, Total
from drainledger.domain.folding.page import Page, level_of
from drainledger.domain.levels import Output, Scale
from drainledger.domain.nodes import drawn_by
from drainledger.domain.numbers import (
    CHARTED_AGAIN,
    SHORTEST_RATED,
    deviation,
    hourly,
    hourly_per_weight,
    seconds_between,
)
from drainledger.domain.quantities import plain
from drainledger.domain.records import Event, Key
from drainledger.domain.state import NOTHING_DRAWN, ZERO, Baseline, Chain, Drawn
from drainledger.domain.texts import which_counts
from drainledger.domain.topology import Placement


class Anchor(NamedTuple):
    """A level as an anchor: as read (mL), where it is stated, by whom, and what it rests on besides."""

    level: Decimal
    ref: LevelRef
    at: datetime
    stamp: datetime
    preliminary: bool
    read_at: datetime | None = None
    records: tuple[Key, ...] = ()


class Ending(NamedTuple):
    """An interval that ends at the page's node. `squares` are its levels' graduations squared (mL^2), None where it
    has no deviation; it rests on the node's own record, on what was `drawn` and on `records`."""

    out: Output
    start: datetime | None
    stamp: datetime
    part: str = ""
    squares: Decimal | None = None
    drawn: tuple[Ground, ...] = ()
    records: tuple[Key, ...] = ()
    unverified: bool = False
    refs: tuple[LevelRef, ...] = ()


def anchor_at(page: Page, anchor: Anchor, scale: Scale, part: str = "") -> None:
    """Closes the interval that ends at a level, and makes that level the baseline (or keeps the old one)."""
    flow = page.flow
    baseline = flow.baseline
    start = flow.anchored_at
    at = page.node.order.at
    reset = baseline is not None and between.crosses_daily_reset(
        scale, page.zone, start or at, at, baseline.after_reset
    )
    drawn = flow.drawn
    out = (
        between.across_daily_reset(anchor.level)
        if reset
        else between.reckon(scale, baseline, anchor.level, drawn)
    )
    resolution = scale.resolution(anchor.level)
    if (flow.larger is not None or flow.doubted) and out.bound == "exact":
        out = replace(out, bound="at-least")
    nothing_lost = start == at and (out.volume is None or out.volume == 0)
    if nothing_lost:
        if out.finding == "unexplained-fall" and baseline is not None:
            grounds = (level_of(anchor.ref), level_of(baseline.ref))
            used = which_counts(plain(anchor.level), "next")
            page.note(
                "readings-disagree", grounds, level=anchor.level, base=baseline.level, base_at=at, used=used
            )
    else:
        _explain(page, out, anchor, baseline, scale, part)
        squares = None
        if out.bound == "exact" and baseline is not None:
            squares = baseline.resolution + resolution
        refs = _refs(baseline, anchor.ref)
        emit(
            page,
            Ending(
                out=out,
                start=start,
                part=part,
                squares=squares,
                drawn=drawn.grounds,
                records=anchor.records,
                stamp=_latest(anchor.stamp, baseline, drawn),
                unverified=anchor.preliminary or (baseline is not None and baseline.preliminary),
                refs=refs,
            ),
        )
    _chain(page, out, baseline, resolution, nothing_lost)
    if out.keeps_baseline and baseline is not None:
        kept = replace(baseline, level=plain(baseline.level - drawn.volume)) if drawn.volume else baseline
    else:
        kept = Baseline(
            level=anchor.level,
            resolution=resolution,
            ref=anchor.ref,
            at=anchor.at,
            stamp=anchor.stamp,
            preliminary=anchor.preliminary,
            after_reset=out.reset,
        )
    page.flow = replace(
        page.flow,
        acts=tuple(a for a in page.flow.acts if at - a.at <= CHARTED_AGAIN),
        baseline=kept,
        anchored_at=at,
        read_at=anchor.read_at,
        drawn=NOTHING_DRAWN,
        larger=None,
        doubted=flow.doubted and nothing_lost,
    )


def _chain(
    page: Page, out: Output, baseline: Baseline | None, resolution: Decimal, no_interval: bool
) -> None:
    """Takes the anchor's level into the chain of baselines, or starts a new chain at it."""
    sums = page.sums
    if out.keeps_baseline or (no_interval and out.volume is not None):
        return
    if baseline is None or sums.chain is None or out.bound != "exact":
        squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
        page.sums = replace(sums, chain=Chain(resolution), squares=squares)
    elif sums.chain.last != resolution:
        page.sums = replace(sums, chain=Chain(sums.chain.first, resolution))


def _explain(
    page: Page, out: Output, anchor: Anchor, baseline: Baseline | None, scale: Scale, part: str
) -> None:
    """Says why an interval is as it is: by the level that it ends at, the one it is reckoned from, and itself."""
    if out.finding is None:
        return
    level = anchor.level
    start = page.flow.anchored_at or page.node.order.at
    facts: dict[str, Decimal | str | datetime] = {
        "level": level,
        "start": start,
        "output": out.volume or ZERO,
    }
    grounds = [level_of(anchor.ref), page.own("output", part)]
    if baseline is not None:
        facts |= {"base": baseline.level, "base_at": baseline.at}
        facts["tolerance"] = scale.tolerance(baseline.level, level)
        grounds.append(level_of(baseline.ref))
    page.note(out.finding, grounds, **facts)


def emit(page: Page, ending: Ending) -> None:
    """The interval that ends here; the sums take it in."""
    at = page.node.order.at
    out, start = ending.out, ending.start
    owner = page.node.record.key
    flow, bedside = page.flow, page.bedside
    rate = per_weight = weighed_by = None
    if out.volume is not None and start is not None and at - start >= SHORTEST_RATED:
        seconds = seconds_between(start, at)
        rate = hourly(out.volume, seconds)
        if bedside.weight is not None:
            per_weight = hourly_per_weight(out.volume, seconds, bedside.weight)
            weighed_by = bedside.weighed_by
    output = page.own("output", ending.part)
    _clamped_output(page, out, start, output)
    _large_rise(page, out, start, output)
    connection = flow.connection
    page.interval = Interval(
        owner=owner,
        part=ending.part,
        collector=connection.collector if connection else None,
        chamber=connection.chamber if connection else None,
        start=start,
        end=at,
        output=plain(out.volume) if out.volume is not None else None,
        bound=out.bound,
        deviation=deviation(ending.squares) if ending.squares is not None else None,
        irrigant=plain(flow.irrigant),
        rate=rate,
        rate_per_weight=per_weight,
        records=(owner, *(ground.owner for ground in ending.drawn), *ending.records),
        drawn=ending.drawn,
        irrigated=flow.irrigated,
        levels=ending.refs,
        findings=tuple(finding.code for finding in page.findings),
        stamp=ending.stamp,
        preliminary=ending.unverified,
        larger=flow.larger,
        weighed_by=weighed_by,
    )
    _attend(page, page.interval)
    sums = page.sums
    page.sums = replace(
        sums,
        output=sums.output + (out.volume or ZERO),
        irrigant=sums.irrigant + flow.irrigant,
        lower_bound=sums.lower_bound or out.bound != "exact",
        preliminary=sums.preliminary or ending.unverified,
    )
    if flow.irrigated:
        page.flow = replace(flow, irrigant=ZERO, irrigated=())


def _attend(page: Page, interval: Interval) -> None:
    """Clinical rules, where a site has switched any on."""
    rules = page.rules_now()
    found = attention.raised(rules, page.drain.kind, page.nodes, page.index, interval, page.bedside.weight)
    for code, facts, grounds in found:
        page.note(code, grounds, **facts)
    if found:
        codes = (*interval.findings, *(code for code, _, _ in found))
        page.interval = replace(interval, findings=codes)


def state_total(page: Page) -> None:
    """The total at the anchor just made; after the chain has taken its last level in."""
    interval, sums = page.interval, page.sums
    if interval is None:
        return
    known = sums.measured and not sums.lower_bound
    squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
    page.total = Total(
        owner=interval.owner,
        part=interval.part,
        since=sums.since or interval.end,
        at=interval.end,
        total=plain(sums.output),
        bound="at-least" if sums.lower_bound else "exact",
        deviation=deviation(squares) if known else None,
        net=plain(sums.output - sums.irrigant),
        stamp=interval.stamp,
        preliminary=sums.preliminary,
    )


def _clamped_output(page: Page, out: Output, start: datetime | None, output: Ground) -> None:
    clamp = page.bedside.clamp
    if clamp is None or start is None or not out.volume or clamp.since > start:
        return
    if clamp.until is None or clamp.until >= page.node.order.at:
        page.note("output-while-clamped", (output,), output=out.volume, start=start)


def _large_rise(page: Page, out: Output, start: datetime | None, output: Ground) -> None:
    judged = page.flow.judged
    limit = judged.profile.large_rise if judged is not None else None
    if limit is not None and out.volume is not None and out.volume >= limit and page.rule_on("large-rise"):
        page.note("large-rise", (output,), output=out.volume, start=start or page.node.order.at)


def close_unread(page: Page, placement: Placement, finding: str) -> None:
    """Closes a connection with no level: what came since the last anchor is not known."""
    flow = page.flow
    at = page.node.order.at
    drawn, baseline = flow.drawn, flow.baseline
    if flow.anchored_at == at and not drawn.volume and not drawn.not_stated:
        return
    grounds = (page.own("output", placement.part), level_of(baseline.ref if baseline is not None else None))
    page.note(finding, grounds, start=flow.anchored_at or at)
    emit(
        page,
        Ending(
            out=between.not_read(baseline, drawn, finding),
            start=flow.anchored_at,
            part=placement.part,
            drawn=drawn.grounds,
            stamp=_latest(page.node.stamp, baseline, drawn),
            unverified=baseline is not None and baseline.preliminary,
            refs=(baseline.ref,) if baseline is not None and baseline.ref is not None else (),
        ),
    )
    page.flow = replace(page.flow, larger=None, doubted=False)


def draw(page: Page, event: Event, stamp: datetime, connection: Connection) -> None:
    volume = drawn_by(event, connection)
    drawn = page.flow.drawn
    if volume == 0 and event.collector not in (None, connection.collector):
        return
    page.flow = replace(
        page.flow,
        drawn=Drawn(
            drawn.volume + (volume or ZERO),
            drawn.given_back + (volume or ZERO) if event.kind == "reinfused" else drawn.given_back,
            drawn.not_stated or volume is None,
            (*drawn.grounds, Ground(event.key, "sampled" if event.kind == "sampled" else "reinfused")),
            stamp if drawn.stamp is None else max(drawn.stamp, stamp),
        ),
    )


def _latest(stamp: datetime, baseline: Baseline | None, drawn: Drawn) -> datetime:
    """When the latest of what an interval rests on was stated."""
    if baseline is not None and baseline.stamp > stamp:
        stamp = baseline.stamp
    return drawn.stamp if drawn.stamp is not None and drawn.stamp > stamp else stamp


def _refs(baseline: Baseline | None, end: LevelRef) -> tuple[LevelRef, ...]:
    if baseline is None or baseline.ref is None:
        return (end,)
    return (baseline.ref, end)
