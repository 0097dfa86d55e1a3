"""Charted windows, rolling windows and a patient's total (DESIGN 4 'Totals')."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from drainledger.domain.calendar import Slotted
from drainledger.domain.entries import (
    Bound,
    DrainLedger,
    Interval,
    LevelRef,
    NodeEntry,
    RollingWindow,
    Window,
)
from drainledger.domain.numbers import seconds_between
from drainledger.domain.quantities import plain, ratio

_TENTH = Decimal("0.1")
_THOUSANDTH = Decimal("0.001")
_NONE = timedelta(0)
Span = tuple[datetime, datetime]


def charted(
    drain: str,
    slot: Slotted,
    intervals: Sequence[Interval],
    clamps: Iterable[Span],
    status: Literal["preliminary", "final"],
) -> Window:
    """One charted window over the intervals charged to it, in order; `intervals` is not empty.

    Coverage is the share of the window that lies in intervals whose output is known or bounded: hours without an
    amount are uncovered, not zero.
    """
    first, last = intervals[0], intervals[-1]
    total = sum((i.output for i in intervals if i.output is not None), Decimal(0))
    irrigant = sum((i.irrigant for i in intervals), Decimal(0))
    spans = [(i.start, i.end) for i in intervals if i.start is not None and i.output is not None]
    clamped = sum((_overlap(span, slot) for span in clamps), _NONE)
    length = slot.end - slot.start
    covered = sum((_overlap(span, slot) for span in spans), _NONE)
    return Window(
        drain=drain,
        name=slot.name,
        day=slot.day,
        start=slot.start,
        end=slot.end,
        covers=(first.start or first.end, last.end),
        total=plain(total),
        net=plain(total - irrigant),
        bound="exact" if all(i.bound == "exact" for i in intervals) else "at-least",
        coverage=ratio(_seconds(covered), _seconds(length), _THOUSANDTH),
        clamped_minutes=plain(ratio(_seconds(clamped), Decimal(60), _TENTH)),
        status=status,
        intervals=tuple(LevelRef(i.owner, i.part) for i in intervals),
        stamp=max(i.stamp for i in intervals),
        irrigated=tuple(ground for i in intervals for ground in i.irrigated),
    )


def _overlap(span: Span, slot: Slotted) -> timedelta:
    return max(min(span[1], slot.end) - max(span[0], slot.start), _NONE)


def _seconds(span: timedelta) -> Decimal:
    origin = datetime(2000, 1, 1)  # noqa: DTZ001  - only the difference is used
    return seconds_between(origin, origin + span)


def rolling(nodes: Iterable[NodeEntry], start: datetime, end: datetime) -> RollingWindow:
    """Output over (start, end]: each interval shared by time, in exact rationals, rounded once to 0.1 mL.

    A window that splits an interval is `estimated`, or `unknown` where one in it is not known or a bound. An output of
    no duration belongs to the window of its instant.
    """
    output = irrigant = Fraction(0)
    covered = _NONE
    split = bounded = False
    for interval in (node.interval for node in nodes):
        if interval is None or interval.end <= start or (interval.start or interval.end) > end:
            continue
        part = share(interval, start, end)
        if part == 0:
            continue
        split = split or part != 1
        bounded = bounded or interval.bound != "exact"
        irrigant += part * Fraction(interval.irrigant)
        if interval.output is not None:
            output += part * Fraction(interval.output)
            if interval.start is not None:
                covered += max(min(interval.end, end) - max(interval.start, start), _NONE)
    bound: Bound = ("unknown" if split else "at-least") if bounded else "estimated" if split else "exact"
    return RollingWindow(
        start=start,
        end=end,
        total=_rounded(output),
        net=_rounded(output - irrigant),
        bound=bound,
        coverage=ratio(_seconds(covered), seconds_between(start, end), _THOUSANDTH),
    )


def share(interval: Interval, start: datetime, end: datetime) -> Fraction:
    """The part of an interval that lies in (start, end]."""
    if interval.start is None or interval.start == interval.end:
        return Fraction(int(start < interval.end <= end))
    inside = min(interval.end, end) - max(interval.start, start)
    if inside <= _NONE:
        return Fraction(0)
    whole = interval.end - interval.start
    return Fraction(inside // _MICROSECOND, whole // _MICROSECOND)


_MICROSECOND = timedelta(microseconds=1)


def _rounded(value: Fraction) -> Decimal:
    return plain(ratio(Decimal(value.numerator), Decimal(value.denominator), _TENTH))


def patient_total(ledgers: Sequence[DrainLedger], at: datetime) -> tuple[Decimal, Bound]:
    """The output of several drains of one patient until `at`, mL: at-least unless every drain has an anchor at that
    very instant and is exact there."""
    total = Decimal(0)
    exact = True
    for ledger in ledgers:
        known = [node.total for node in ledger.nodes if node.total is not None and node.total.at <= at]
        if not known:
            exact = exact and not ledger.connections and not any(n.total for n in ledger.nodes)
            continue
        total += known[-1].total
        exact = exact and known[-1].at == at and known[-1].bound == "exact"
    return plain(total), "exact" if exact else "at-least"
