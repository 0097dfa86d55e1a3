"""The fold: one drain's nodes, in order, into ledger entries (DESIGN 4).

`Folder.fold` takes the state before a node to the state after it and the entry it leaves. It looks back only through
the state and ahead only as far as `nodes.NEAR`, so that a refold may start shortly before a change and stop as soon
as the state is what it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from drainledger.domain import attention
from drainledger.domain import bedside as at_bedside
from drainledger.domain import levels as between
from drainledger.domain.collectors import Profile, Rules
from drainledger.domain.entries import (
    Connection,
    Finding,
    Interval,
    LevelMark,
    LevelRef,
    NodeEntry,
    Total,
)
from drainledger.domain.findings import make_finding
from drainledger.domain.levels import Output, Scale
from drainledger.domain.nodes import (
    NEAR,
    Node,
    amount_read,
    anchor_of_instant,
    drawn_by,
    final_reading,
    level_on,
    next_level,
)
from drainledger.domain.numbers import (
    SHORTEST_RATED,
    deviation,
    hourly,
    hourly_per_weight,
    hours_between,
    seconds_between,
)
from drainledger.domain.records import Drain, Event, Key, Reading
from drainledger.domain.state import (
    NOTHING_DRAWN,
    ZERO,
    Baseline,
    Bedside,
    Chain,
    Closed,
    Drawn,
    Flow,
    State,
    Sums,
)
from drainledger.domain.topology import Judged, Placement

_TWICE_SECONDS = 15 * 60
_Status = Literal["used", "set-aside", "waiting"]


class Anchor(NamedTuple):
    """A level as an anchor: as read (mL), where it is stated, by whom, and what it rests on besides."""

    level: Decimal
    ref: LevelRef
    at: datetime
    stamp: datetime
    preliminary: bool
    read_at: datetime | None = None
    records: tuple[Key, ...] = ()


def initial_state(drain: Drain, weight_plausible: bool) -> State:
    """The state of a drain before its first node."""
    weight = drain.weight if weight_plausible else None
    return State(Flow(), Sums(), Bedside(weight=weight))


class Folder:
    """Folds one drain. `connections` are the drain's, in order; `joined` are the periods in which a Y led its output
    into another drain's chamber."""

    def __init__(
        self,
        drain: Drain,
        rules: Rules,
        nodes: Sequence[Node],
        connections: Sequence[Connection],
        joined: Sequence[tuple[datetime, datetime | None]] = (),
    ) -> None:
        self._drain = drain
        self._zone = ZoneInfo(drain.time_zone)
        self._rules = rules
        self._nodes = nodes
        self._connections = connections
        self._joined = joined
        self._scales: dict[tuple[str, str, str], Scale | None] = {}

    def fold(self, index: int, before: State) -> tuple[State, NodeEntry]:
        """The state after the node at `index`, and its entry."""
        self._index = index
        self._node = node = self._nodes[index]
        self._flow, self._sums, self._bedside = before.flow, before.sums, before.bedside
        self._findings: list[Finding] = []
        self._levels: list[LevelMark] = []
        self._interval: Interval | None = None
        self._total: Total | None = None
        self._dropped: tuple[str, ...] = ()
        self._leak_free: Decimal | None = None
        self._speaks_of: Connection | None = before.flow.connection
        record = node.record
        if type(record) is Reading:
            status = self._reading(record)
        elif node.placement is not None:
            status = self._change(node.placement)
        else:
            assert isinstance(record, Event)
            status = self._event(record)
        self._state_total()
        entry = NodeEntry(
            key=record.key,
            drain=self._drain.key.id,
            at=node.order.at,
            record=record,
            status=status,
            corrected=node.corrected,
            stamp=node.stamp,
            connection=self._speaks_of,
            levels=tuple(self._levels),
            interval=self._interval,
            total=self._total,
            findings=tuple(self._findings),
            leak_free_hours=self._leak_free,
            dropped=self._dropped,
            mode=self._bedside.mode,
        )
        return State(self._flow, self._sums, self._bedside), entry

    # Findings

    def _note(self, code: str, records: tuple[Key, ...] = (), **facts: Decimal | str | datetime) -> None:
        at = self._node.order.at
        self._findings.append(
            make_finding(code, self._node.record.key, at, self._zone, self._rules_now(), records, facts)
        )

    def _rules_now(self) -> Rules:
        return self._flow.judged.rules if self._flow.judged is not None else self._rules

    def _rule_on(self, code: str) -> bool:
        rule = self._rules_now().attention.get(code)
        return rule is not None and rule.on and (not rule.kinds or self._drain.kind in rule.kinds)

    def _limit(self, code: str, name: str) -> Decimal | None:
        rule = self._rules_now().attention.get(code)
        return rule.values.get(name) if rule is not None else None

    # Readings

    def _reading(self, reading: Reading) -> _Status:
        status = self._amount(reading)
        if status == "waiting":
            return status
        self._overdue(reading)
        self._beside_the_level(reading)
        return status

    def _amount(self, reading: Reading) -> _Status:
        """Whatever the reading says of the amount: an anchor, a charted amount, or neither."""
        flow = self._flow
        connection = flow.connection
        named = reading.collector
        has_amount = reading.level is not None or reading.volume is not None or reading.counter is not None
        if named is not None and (connection is None or named != connection.collector):
            return self._of_another_unit(reading, named)
        if flow.removed:
            self._note("drain-removed")
            return "set-aside"
        if not has_amount:
            return "used"
        if connection is None:
            if self._drain.reads == "volume":
                return self._by_volume(reading)
            self._note("not-connected-yet")
            return "waiting"
        if connection.reads == "volume":
            return self._by_volume(reading)
        return self._by_level(reading, connection)

    def _of_another_unit(self, reading: Reading, named: str) -> _Status:
        closed = self._flow.closed
        at = reading.at
        if closed is not None and closed.connection.collector == named:
            self._speaks_of = closed.connection
            scale = self._scale(closed.connection, closed.judged)
            level = amount_read(reading, closed.connection)
            if level is None:
                return "used" if reading.volume is None else self._otherwise(closed.connection)
            if closed.read_by == reading.key:
                self._mark(reading, closed.connection, level, used=True)
                return "used"
            if scale is not None and closed.level is not None and at - closed.at <= NEAR:
                return self._check_against(reading, closed, scale, level)
            return self._set_level_aside(reading, closed.connection, level, "collector-not-in-place")
        known = [c for c in self._connections if c.collector == named and c.start <= at]
        if known:
            self._speaks_of = known[-1]
            level = amount_read(reading, known[-1])
            if level is None:
                self._note("collector-not-in-place")
                return "set-aside"
            return self._set_level_aside(reading, known[-1], level, "collector-not-in-place")
        self._note("unit-change-not-charted")
        return "waiting"

    def _check_against(self, reading: Reading, closed: Closed, scale: Scale, level: Decimal) -> _Status:
        """A second level of a unit that came off with a known one: a check, no anchor."""
        final = closed.level or ZERO
        if abs(level - final) > scale.tolerance(level, final):
            self._note("readings-disagree", level=level, base=final)
            return self._mark(reading, closed.connection, level, used=False, why="readings-disagree")
        self._note("read-twice")
        return self._mark(reading, closed.connection, level, used=False, why="read-twice")

    def _by_level(self, reading: Reading, connection: Connection) -> _Status:
        level = amount_read(reading, connection)
        if level is None:
            return self._otherwise(connection)
        judged = self._flow.judged
        scale = self._scale(connection, judged) if judged is not None else None
        if scale is None:
            return self._set_level_aside(reading, connection, level, "no-such-chamber")
        refused = scale.refuse(level)
        if refused is not None:
            return self._set_level_aside(reading, connection, level, refused, base=scale.capacity or ZERO)
        if scale.finer_than_graduation(level):
            self._note("finer-than-graduation", level=level, tolerance=scale.chamber.graduation(level))
        chosen = anchor_of_instant(self._nodes, self._index, connection, scale, self._rules_now().priorities)
        if chosen is not self._node:
            return self._second_reading(reading, connection, scale, level, chosen)
        if self._misread(reading, connection, scale, level):
            return "set-aside"
        self._mark(reading, connection, level, used=True)
        ref = LevelRef(reading.key, "")
        self._anchor(
            Anchor(scale.read(level), ref, reading.at, self._node.stamp, _unverified(reading), reading.at),
            scale,
        )
        self._cross_check(reading, scale)
        self._fullness(scale, scale.read(level))
        return "used"

    def _otherwise(self, connection: Connection) -> _Status:
        self._note("reads-otherwise", wanted=connection.reads)
        return "set-aside"

    def _set_level_aside(
        self, reading: Reading, connection: Connection, level: Decimal, why: str, base: Decimal = ZERO
    ) -> _Status:
        self._note(why, level=level, base=base)
        return self._mark(reading, connection, level, used=False, why=why)

    def _mark(
        self, reading: Reading, connection: Connection, level: Decimal, *, used: bool, why: str | None = None
    ) -> _Status:
        self._levels.append(
            LevelMark(
                owner=reading.key,
                part="",
                at=reading.at,
                collector=connection.collector,
                chamber=connection.chamber,
                value=level,
                used=used,
                why=why,
                counter=connection.reads == "counter",
            )
        )
        return "used" if used else "set-aside"

    def _second_reading(
        self, reading: Reading, connection: Connection, scale: Scale, level: Decimal, chosen: Node
    ) -> _Status:
        other = level_on(chosen, connection, scale) or ZERO
        why = "readings-disagree" if abs(level - other) > scale.tolerance(level, other) else "read-twice"
        self._note(why, (chosen.record.key,), level=level, base=other)
        return self._mark(reading, connection, level, used=False, why=why)

    def _misread(self, reading: Reading, connection: Connection, scale: Scale, stated: Decimal) -> bool:
        """One reading alone: of three within 4 hours, the middle one that alone makes the level fall."""
        flow = self._flow
        baseline = flow.baseline
        if baseline is None or flow.read_at is None or scale.may_reset() or flow.drawn.not_stated:
            return False
        until = flow.read_at + NEAR
        if reading.at > until:
            return False
        level = scale.read(stated)
        # Cheap and usual: with no fall to here, only a fall from here could set it aside.
        ahead = next_level(self._nodes, self._index, connection, scale, until, self._rules_now().priorities)
        if ahead is None:
            return False
        first = level - baseline.level + flow.drawn.volume
        second = ahead.level - level + ahead.drawn
        whole = first + second
        first_falls = first < -scale.tolerance(baseline.level, level)
        second_falls = second < -scale.tolerance(level, ahead.level)
        if not (first_falls or second_falls) or whole < -scale.tolerance(baseline.level, ahead.level):
            return False
        larger = (ZERO if first_falls else max(first, ZERO)) + (ZERO if second_falls else max(second, ZERO))
        self._flow = replace(flow, larger=max(larger, flow.larger or ZERO))
        evidence = (baseline.ref.owner,) if baseline.ref is not None else ()
        self._note(
            "suspected-misread",
            (*evidence, ahead.node.record.key),
            level=stated,
            output=max(whole, ZERO),
            larger=larger,
            start=flow.anchored_at or reading.at,
        )
        self._mark(reading, connection, stated, used=False, why="suspected-misread")
        return True

    def _cross_check(self, reading: Reading, scale: Scale) -> None:
        """An amount charted beside a level."""
        interval = self._interval
        if reading.volume is None or interval is None or interval.output is None or reading.level is None:
            return
        if abs(reading.volume - interval.output) > scale.tolerance(reading.level, reading.level):
            self._note("level-volume-mismatch", output=interval.output, volume=reading.volume)

    def _fullness(self, scale: Scale, level: Decimal) -> None:
        rule = "chamber-nearly-full"
        capacity = scale.capacity
        if capacity is None or not self._rule_on(rule):
            return
        share = scale.profile.nearly_full or self._limit(rule, "share")
        if share is None:
            return
        nearly = level >= share * capacity
        if nearly and not self._flow.nearly_full and level < capacity:
            self._note(rule, level=level, base=capacity)
        if nearly != self._flow.nearly_full:
            self._flow = replace(self._flow, nearly_full=nearly)

    def _by_volume(self, reading: Reading) -> _Status:
        """A charted amount over (from, at], or since the previous amount."""
        flow = self._flow
        if reading.volume is None:
            if reading.level is not None and flow.connection is not None:
                self._mark(reading, flow.connection, reading.level, used=False, why="reads-otherwise")
            self._note("reads-otherwise", wanted="volume")
            return "set-aside"
        at = reading.at
        start = reading.from_ if reading.from_ is not None else flow.anchored_at
        if start is not None and flow.anchored_at is not None and start < flow.anchored_at:
            start = flow.anchored_at
            self._note("period-overlaps", start=start)
        last = flow.last_amount_at
        if last is not None and seconds_between(last, at) <= _TWICE_SECONDS:
            self._note("charted-twice", start=last)
        self._flow = replace(flow, anchored_at=at, last_amount_at=at)
        self._sums = replace(self._sums, since=self._sums.since or start or at, measured=False)
        if start == at and reading.volume == 0:
            return "used"
        out = Output(volume=reading.volume, bound="exact")
        self._emit(
            out, start, reading.key, "", None, (), self._node.stamp, _unverified(reading), flow.connection
        )
        return "used"

    # Intervals

    def _anchor(self, anchor: Anchor, scale: Scale, part: str = "", owner: Key | None = None) -> None:
        """Closes the interval that ends at a level, and makes that level the baseline (or keeps the old one)."""
        flow = self._flow
        baseline = flow.baseline
        start = flow.anchored_at
        at = self._node.order.at
        reset = baseline is not None and between.crosses_daily_reset(
            scale, self._zone, start or at, at, baseline.after_reset
        )
        drawn = flow.drawn
        out = (
            between.across_daily_reset(anchor.level)
            if reset
            else between.reckon(scale, baseline, anchor.level, drawn)
        )
        resolution = scale.resolution(anchor.level)
        if flow.larger is not None and out.bound == "exact":
            out = replace(out, bound="at-least")
        nothing_lost = start == at and (out.volume is None or out.volume == 0)
        if nothing_lost:
            if out.finding == "unexplained-fall" and baseline is not None:
                self._note("readings-disagree", level=anchor.level, base=baseline.level)
        else:
            self._explain(out, anchor.level, baseline, scale)
            squares = None
            if out.bound == "exact" and baseline is not None:
                squares = baseline.resolution + resolution
            refs = _refs(baseline, anchor.ref)
            stamp = max(
                s for s in (anchor.stamp, baseline.stamp if baseline else None, drawn.stamp) if s is not None
            )
            unverified = anchor.preliminary or (baseline is not None and baseline.preliminary)
            records = (*drawn.records, *anchor.records)
            self._emit(
                out,
                start,
                owner or self._node.record.key,
                part,
                squares,
                records,
                stamp,
                unverified,
                flow.connection,
                refs,
            )
        self._chain(out, baseline, anchor.level, resolution, scale, nothing_lost)
        if out.keeps_baseline and baseline is not None:
            kept = replace(baseline, level=baseline.level - drawn.volume) if drawn.volume else baseline
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
        self._flow = replace(
            self._flow,
            baseline=kept,
            anchored_at=at,
            read_at=anchor.read_at,
            drawn=NOTHING_DRAWN,
            larger=None,
        )

    def _chain(
        self,
        out: Output,
        baseline: Baseline | None,
        level: Decimal,
        resolution: Decimal,
        scale: Scale,
        no_interval: bool,
    ) -> None:
        sums = self._sums
        if out.keeps_baseline or (no_interval and out.volume is not None):
            return
        if baseline is None or sums.chain is None or out.bound != "exact":
            squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
            self._sums = replace(sums, chain=Chain(resolution), squares=squares)
        elif sums.chain.last != resolution:
            self._sums = replace(sums, chain=Chain(sums.chain.first, resolution))

    def _explain(self, out: Output, level: Decimal, baseline: Baseline | None, scale: Scale) -> None:
        if out.finding is None:
            return
        start = self._flow.anchored_at or self._node.order.at
        facts: dict[str, Decimal | str | datetime] = {
            "level": level,
            "start": start,
            "output": out.volume or ZERO,
        }
        records: tuple[Key, ...] = ()
        if baseline is not None:
            facts |= {"base": baseline.level, "base_at": baseline.at}
            facts["tolerance"] = scale.tolerance(baseline.level, level)
            records = (baseline.ref.owner,) if baseline.ref is not None else ()
        self._note(out.finding, records, **facts)

    def _emit(
        self,
        out: Output,
        start: datetime | None,
        owner: Key,
        part: str,
        squares: Decimal | None,
        records: tuple[Key, ...],
        stamp: datetime,
        unverified: bool,
        connection: Connection | None,
        refs: tuple[LevelRef, ...] = (),
    ) -> None:
        """The interval that ends here, and the total up to here."""
        at = self._node.order.at
        flow, bedside = self._flow, self._bedside
        rate = per_weight = None
        if out.volume is not None and start is not None and at - start >= SHORTEST_RATED:
            seconds = seconds_between(start, at)
            rate = hourly(out.volume, seconds)
            if bedside.weight is not None:
                per_weight = hourly_per_weight(out.volume, seconds, bedside.weight)
        self._clamped_output(out, start)
        self._large_rise(out, start)
        larger = flow.larger
        self._interval = Interval(
            owner=owner,
            part=part,
            collector=connection.collector if connection else None,
            chamber=connection.chamber if connection else None,
            start=start,
            end=at,
            output=out.volume,
            bound=out.bound,
            deviation=deviation(squares) if squares is not None else None,
            irrigant=flow.irrigant,
            rate=rate,
            rate_per_weight=per_weight,
            records=(owner, *records),
            levels=refs,
            findings=tuple(finding.code for finding in self._findings),
            stamp=stamp,
            preliminary=unverified,
            larger=larger,
        )
        self._attend(self._interval)
        sums = self._sums
        self._sums = replace(
            sums,
            output=sums.output + (out.volume or ZERO),
            irrigant=sums.irrigant + flow.irrigant,
            lower_bound=sums.lower_bound or out.bound != "exact",
            preliminary=sums.preliminary or unverified,
        )
        if flow.irrigant:
            self._flow = replace(flow, irrigant=ZERO)

    def _attend(self, interval: Interval) -> None:
        """Clinical rules, where a site has switched any on."""
        rules = self._rules_now()
        found = attention.raised(
            rules, self._drain.kind, self._nodes, self._index, interval, self._bedside.weight
        )
        for code, facts in found:
            self._note(code, (), **facts)
        if found:
            codes = (*interval.findings, *(code for code, _ in found))
            self._interval = replace(interval, findings=codes)

    def _state_total(self) -> None:
        """The total at the anchor just made; after the chain has taken its last level in."""
        interval, sums = self._interval, self._sums
        if interval is None:
            return
        known = sums.measured and not sums.lower_bound
        squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
        self._total = Total(
            owner=interval.owner,
            part=interval.part,
            since=sums.since or interval.end,
            at=interval.end,
            total=sums.output,
            bound="at-least" if sums.lower_bound else "exact",
            deviation=deviation(squares) if known else None,
            net=sums.output - sums.irrigant,
            stamp=interval.stamp,
            preliminary=sums.preliminary,
        )

    def _clamped_output(self, out: Output, start: datetime | None) -> None:
        clamp = self._bedside.clamp
        if clamp is None or start is None or not out.volume or clamp.since > start:
            return
        if clamp.until is None or clamp.until >= self._node.order.at:
            self._note("output-while-clamped", output=out.volume, start=start)

    def _large_rise(self, out: Output, start: datetime | None) -> None:
        judged = self._flow.judged
        limit = judged.profile.large_rise if judged is not None else None
        if (
            limit is not None
            and out.volume is not None
            and out.volume >= limit
            and self._rule_on("large-rise")
        ):
            self._note("large-rise", output=out.volume, start=start or self._node.order.at)

    # Changes

    def _change(self, placement: Placement) -> _Status:
        if placement.status != "used":
            self._note(placement.why or "not-connected")
            return placement.status
        event = placement.event
        closed, opened = placement.closed, placement.opened
        carried = self._carries_count(placement)
        if closed is not None:
            self._close(placement, closed, carried)
        if opened is not None and placement.judged is not None:
            self._open(placement, opened, placement.judged, carried)
        elif closed is not None:
            self._flow = replace(
                self._flow,
                connection=None,
                baseline=None,
                read_at=None,
                drawn=NOTHING_DRAWN,
                anchored_at=None,
                nearly_full=False,
                judged=None,
            )
            self._bedside = replace(self._bedside, read_at=None)
        if event.kind == "removed":
            self._flow = replace(self._flow, removed=True)
        return "used"

    def _carries_count(self, placement: Placement) -> bool:
        """A device's count goes on when only its container was changed."""
        closed, opened, judged = placement.closed, placement.opened, placement.judged
        if closed is None or opened is None or judged is None or placement.tip:
            return False
        if closed.reads != "counter" or opened.reads != "counter":
            return False
        rules = judged.profile.counter
        return rules is None or not rules.restarts_with_container

    def _close(self, placement: Placement, closed: Connection, carried: bool) -> None:
        judged = self._flow.judged
        if judged is None or closed.reads == "volume":
            self._flow = replace(self._flow, closed=None)
            return
        scale = self._scale(closed, judged)
        name = "before" if placement.tip else "final"
        level = self._stated(placement, closed, scale, placement.final_level, name)
        read_by: Key | None = None
        if level is not None and scale is not None:
            ref = LevelRef(placement.event.key, placement.part + name)
            at = self._node.order.at
            self._anchor(
                Anchor(scale.read(level), ref, at, self._node.stamp, _unverified(placement.event)),
                scale,
                placement.part,
            )
        elif not carried:
            late = (
                None
                if placement.tip or scale is None
                else final_reading(self._nodes, self._index, closed, scale)
            )
            if late is not None and scale is not None:
                read_by, level = self._close_with(late, placement, closed, scale)
            else:
                self._close_unread(placement, "closing-level-not-charted")
        if not placement.tip:
            self._flow = replace(
                self._flow, closed=Closed(closed, judged, self._node.order.at, level, read_by)
            )

    def _close_with(
        self, late: Node, placement: Placement, closed: Connection, scale: Scale
    ) -> tuple[Key, Decimal | None]:
        """The unit's last level was read after it came off; what was drawn from it until then counts."""
        for node in self._nodes[self._index + 1 :]:
            if node is late:
                break
            record = node.record
            if type(record) is Event and record.kind == "reinfused" and record.collector == closed.collector:
                self._draw(record, node.stamp, closed)
        reading = late.record
        assert isinstance(reading, Reading)
        level = level_on(late, closed, scale)
        assert level is not None
        ref = LevelRef(reading.key, "")
        stamp = max(self._node.stamp, late.stamp)
        self._anchor(
            Anchor(scale.read(level), ref, reading.at, stamp, _unverified(reading), None, (reading.key,)),
            scale,
            placement.part,
        )
        return reading.key, level

    def _close_unread(self, placement: Placement, finding: str) -> None:
        flow = self._flow
        at = self._node.order.at
        if flow.anchored_at == at and not flow.drawn.volume and not flow.drawn.not_stated:
            return
        out = between.not_read(flow.drawn, finding)
        self._note(finding, start=flow.anchored_at or at)
        baseline = flow.baseline
        stamp = max(
            s
            for s in (self._node.stamp, baseline.stamp if baseline else None, flow.drawn.stamp)
            if s is not None
        )
        refs = (baseline.ref,) if baseline is not None and baseline.ref is not None else ()
        self._emit(
            out,
            flow.anchored_at,
            placement.event.key,
            placement.part,
            None,
            flow.drawn.records,
            stamp,
            baseline is not None and baseline.preliminary,
            flow.connection,
            refs,
        )
        self._flow = replace(self._flow, larger=None)

    def _stated(
        self,
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
        self._levels.append(
            LevelMark(
                owner=placement.event.key,
                part=placement.part + name,
                at=placement.event.at,
                collector=connection.collector,
                chamber=connection.chamber,
                value=level,
                used=why is None,
                why=why,
                counter=connection.reads == "counter",
            )
        )
        if why is not None:
            self._note(why, level=level, base=(scale.capacity if scale is not None else None) or ZERO)
            return None
        return level

    def _open(self, placement: Placement, opened: Connection, judged: Judged, carried: bool) -> None:
        at = self._node.order.at
        self._speaks_of = opened
        sums = self._sums
        flow = replace(self._flow, connection=opened, judged=judged, nearly_full=False)
        if carried:
            self._flow = flow
            return
        self._flow = replace(
            flow,
            baseline=None,
            anchored_at=at,
            read_at=None,
            drawn=NOTHING_DRAWN,
            larger=None,
            last_amount_at=None,
        )
        if not placement.tip:
            self._bedside = replace(self._bedside, read_at=at)
        chain: Chain | None = None
        if opened.reads != "volume":
            scale = self._scale(opened, judged)
            name = "after" if placement.tip else "start"
            stated = placement.start_level
            known = placement.event.start_level is not None or placement.tip or bool(placement.part)
            level = stated if not known else self._stated(placement, opened, scale, stated, name)
            if level is not None and scale is not None:
                ref = (
                    LevelRef(placement.event.key, placement.part + name)
                    if self._is_marked(placement.part + name)
                    else None
                )
                chain = self._start_at(scale.read(level), scale, ref, placement.event)
        squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
        self._sums = replace(sums, since=sums.since or at, squares=squares, chain=chain)

    def _is_marked(self, part: str) -> bool:
        return any(mark.part == part and mark.used for mark in self._levels)

    def _start_at(self, level: Decimal, scale: Scale, ref: LevelRef | None, event: Event) -> Chain:
        resolution = scale.start_resolution(level)
        self._flow = replace(
            self._flow,
            baseline=Baseline(
                level=level,
                resolution=resolution,
                ref=ref,
                at=self._node.order.at,
                stamp=self._node.stamp,
                preliminary=_unverified(event),
            ),
        )
        return Chain(resolution)

    # Events that change no connection

    def _event(self, event: Event) -> _Status:
        if self._flow.removed:
            self._note("drain-removed")
            return "set-aside"
        kind = event.kind
        if kind == "emptied":
            return self._emptied(event)
        if kind in ("sampled", "reinfused"):
            if self._flow.connection is not None and self._flow.connection.reads != "volume":
                self._draw(event, self._node.stamp, self._flow.connection)
        elif kind == "irrigated":
            self._flow = replace(self._flow, irrigant=self._flow.irrigant + (event.volume or ZERO))
        elif kind in ("clamped", "unclamped"):
            self._bedside = at_bedside.clamp(self._bedside, event)
        elif kind == "milked":
            if at_bedside.is_clamped(self._bedside):
                self._note("milked-while-clamped")
        elif kind == "vented":
            self._bedside, noticed = at_bedside.vent(self._bedside)
            self._note_all(noticed)
        elif kind == "suction-prescribed":
            self._bedside = at_bedside.prescribe(self._bedside, event)
        elif kind == "weighed" and event.weight is not None:
            self._weigh(event.weight)
        return "used"

    def _emptied(self, event: Event) -> _Status:
        """Emptied by hand: closes at `level_before`, goes on from 0."""
        flow = self._flow
        if flow.connection is None or flow.judged is None or flow.connection.reads != "level":
            why = (
                "not-connected-yet" if flow.connection is None and not self._connections else "not-connected"
            )
            if flow.connection is not None:
                return self._otherwise(flow.connection)
            self._note(why)
            return "waiting" if why == "not-connected-yet" else "set-aside"
        placement = Placement(
            event=event,
            status="used",
            closed=flow.connection,
            opened=flow.connection,
            judged=flow.judged,
            final_level=event.level_before,
            start_level=ZERO,
            tip=True,
        )
        self._close(placement, flow.connection, carried=False)
        scale = self._scale(flow.connection, flow.judged)
        self._flow = replace(
            self._flow,
            baseline=None,
            anchored_at=event.at,
            read_at=None,
            drawn=NOTHING_DRAWN,
            nearly_full=False,
        )
        sums = self._sums
        squares = sums.squares + (sums.chain.squares if sums.chain is not None else ZERO)
        chain = self._start_at(ZERO, scale, None, event) if scale is not None else None
        self._sums = replace(sums, squares=squares, chain=chain)
        return "used"

    def _draw(self, event: Event, stamp: datetime, connection: Connection) -> None:
        volume = drawn_by(event, connection)
        drawn = self._flow.drawn
        if volume == 0 and event.collector not in (None, connection.collector):
            return
        self._flow = replace(
            self._flow,
            drawn=Drawn(
                drawn.volume + (volume or ZERO),
                drawn.not_stated or volume is None,
                (*drawn.records, event.key),
                stamp if drawn.stamp is None else max(drawn.stamp, stamp),
            ),
        )

    def _weigh(self, weight: Decimal) -> None:
        low, high = weight_range(self._flow.judged)
        if low <= weight <= high:
            self._bedside = replace(self._bedside, weight=weight)
        else:
            self._note("weight-unlikely", level=weight)

    # Beside the level

    def _beside_the_level(self, reading: Reading) -> None:
        judged = self._flow.judged
        profile = judged.profile if judged is not None else None
        if reading.suction is not None or reading.pressure is not None:
            self._bedside, noticed = at_bedside.take_suction(self._bedside, reading, profile)
            self._note_all(noticed)
        if at_bedside.scale_mismatch(reading, self._bedside, profile):
            self._note("scale-mismatch", read=reading.scale or "", mode=self._bedside.mode or "")
        if reading.air_leak is not None:
            self._air(reading, profile)
        if reading.appearance and reading.appearance != self._bedside.appearance:
            self._looks(reading)
        self._still_clamped()

    def _air(self, reading: Reading, profile: Profile | None) -> None:
        air = reading.air_leak
        assert air is not None
        refused = at_bedside.grade_refused(air, profile)
        if refused is not None:
            self._dropped = ("air_leak.grade",)
            self._note(refused)
        leaks = at_bedside.shows_leak(air)
        if leaks:
            self._leaking(reading)
        elif (
            leaks is False
            and self._bedside.last_leak_at is not None
            and not at_bedside.is_clamped(self._bedside)
        ):
            self._leak_free = hours_between(self._bedside.last_leak_at, reading.at)
            self._bedside = replace(self._bedside, leak_since=None, leak_told=False)

    def _leaking(self, reading: Reading) -> None:
        bedside = self._bedside
        since = bedside.leak_since or reading.at
        days = self._limit("air-leak-prolonged", "days")
        told = bedside.leak_told
        if days is not None and not told and self._rule_on("air-leak-prolonged"):
            told = seconds_between(since, reading.at) > days * 86400
            if told:
                self._note("air-leak-prolonged", level=days)
        self._bedside = replace(bedside, last_leak_at=reading.at, leak_since=since, leak_told=told)

    def _looks(self, reading: Reading) -> None:
        before = self._bedside.appearance
        if before and before != reading.appearance and self._rule_on("appearance-changed"):
            self._note("appearance-changed")
        self._bedside = replace(self._bedside, appearance=reading.appearance)

    def _still_clamped(self) -> None:
        clamp = self._bedside.clamp
        limit = self._limit("still-clamped", "minutes")
        if (
            clamp is None
            or clamp.until is not None
            or clamp.told
            or limit is None
            or not self._rule_on("still-clamped")
        ):
            return
        if seconds_between(clamp.since, self._node.order.at) > limit * 60:
            self._note("still-clamped", start=clamp.since)
            self._bedside = replace(self._bedside, clamp=replace(clamp, told=True))

    def _overdue(self, reading: Reading) -> None:
        last = self._bedside.read_at
        every = self._drain.reads_every
        self._bedside = replace(self._bedside, read_at=reading.at)
        if last is None or every is None or not self._rule_on("reading-overdue"):
            return
        grace = self._limit("reading-overdue", "grace_minutes") or ZERO
        late = seconds_between(last, reading.at) > Decimal(int(every.total_seconds())) + grace * 60
        if late and not self._joined_between(last, reading.at):
            self._note("reading-overdue", start=last)

    def _joined_between(self, start: datetime, end: datetime) -> bool:
        return any(since < end and (until is None or until > start) for since, until in self._joined)

    def _note_all(self, noticed: Sequence[at_bedside.Noticed]) -> None:
        for code, facts in noticed:
            self._note(code, (), **facts)

    def _scale(self, connection: Connection, judged: Judged) -> Scale | None:
        """How this connection's levels are judged; None where the profile lacks the chamber."""
        key = (connection.collector, connection.chamber, connection.reads)
        if key not in self._scales:
            chamber = judged.profile.chamber(connection.chamber)
            self._scales[key] = (
                Scale(judged.profile, chamber, connection.reads == "counter") if chamber is not None else None
            )
        return self._scales[key]


def weight_range(judged: Judged | None) -> tuple[Decimal, Decimal]:
    """The weights, kg, that are plausible for whoever is on this kind of collector."""
    return judged.profile.weight_kg if judged is not None else (Decimal("0.3"), Decimal(400))


def _unverified(record: Reading | Event) -> bool:
    """A device's value that nobody has verified."""
    return record.observer is not None and record.observer.kind == "device"


def _refs(baseline: Baseline | None, end: LevelRef) -> tuple[LevelRef, ...]:
    if baseline is None or baseline.ref is None:
        return (end,)
    return (baseline.ref, end)
