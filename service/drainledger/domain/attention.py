"""Clinical rules on output (DESIGN 4 'Rules'). They ship switched off; a site switches them on with its own values.

They look back over the intervals already folded and use the larger answer of a suspected misreading. A rule about
hourly output needs each consecutive hour above its threshold by itself, never one averaged interval.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import TypeAlias

from drainledger.domain.collectors import AttentionRule, Rules
from drainledger.domain.entries import Ground, Interval
from drainledger.domain.nodes import Node
from drainledger.domain.windows import share

#: An hour is known only where no interval that touches it is longer than this (a local value, no source).
_LONGEST_HOURLY = timedelta(minutes=90)
_HOUR = timedelta(hours=1)
_DAY = timedelta(days=1)

#: A rule's code with the facts of its sentence, and the outputs that it looked at, latest first.
Raised: TypeAlias = tuple[str, dict[str, "Decimal | datetime"], tuple[Ground, ...]]


def reach(rules: Rules) -> timedelta:
    """How far back any rule that is switched on looks: a change may alter findings for as long after it."""
    reaches = [_REACH[code](rule) for code, rule in rules.attention.items() if rule.on and code in _REACH]
    return max(reaches, default=timedelta(0))


def raised(
    rules: Rules, kind: str, nodes: Sequence[Node], index: int, interval: Interval, weight: Decimal | None
) -> list[Raised]:
    """The rules that the interval ending at `index` raises. Nodes before `index` are folded; `weight` in kg."""
    found: list[Raised] = []
    for code, check in _CHECKS.items():
        rule = rules.attention.get(code)
        if rule is None or not rule.on or (rule.kinds and kind not in rule.kinds):
            continue
        recent = _Recent(nodes, index, interval)
        facts = check(rule, recent, weight)
        if facts is not None:
            found.append((code, facts, recent.looked_at()))
    return found


class _Recent:
    """The intervals up to one, latest first; remembers which were looked at."""

    def __init__(self, nodes: Sequence[Node], index: int, interval: Interval) -> None:
        self._nodes = nodes
        self._index = index
        self.interval = interval
        self._seen: dict[Ground, None] = {}

    def looked_at(self) -> tuple[Ground, ...]:
        return tuple(self._seen)

    def back(self) -> Iterator[Interval]:
        """Every interval; what is looked at in one of these is for the caller to say (`see`)."""
        yield self.interval
        for before in range(self._index - 1, -1, -1):
            entry = self._nodes[before].entry
            if entry is not None and entry.interval is not None:
                yield entry.interval

    def see(self, interval: Interval) -> None:
        self._seen.setdefault(Ground(interval.owner, "output", interval.part))

    def over(self, start: datetime, end: datetime) -> Iterator[Interval]:
        for interval in self.back():
            if interval.end <= start:
                return
            if interval.start is None or interval.start < end:
                self.see(interval)
                yield interval

    def output(self, start: datetime, end: datetime) -> Fraction:
        """mL over (start, end], intervals shared by time."""
        return sum((share(i, start, end) * Fraction(_larger(i)) for i in self.over(start, end)), Fraction(0))

    def hours_above(self, count: int, limit: Fraction) -> bool:
        """Whether each of the last `count` hours is known and above `limit` mL."""
        end = self.interval.end
        return all(self._hour_above(end - (n + 1) * _HOUR, end - n * _HOUR, limit) for n in range(count))

    def _hour_above(self, start: datetime, end: datetime, limit: Fraction) -> bool:
        touching = list(self.over(start, end))
        if any(i.start is None or i.end - i.start > _LONGEST_HOURLY for i in touching):
            return False
        starts = [i.start for i in touching if i.start is not None]
        return bool(starts) and min(starts) <= start and self.output(start, end) > limit


def _larger(interval: Interval) -> Decimal:
    return max(interval.output or Decimal(0), interval.larger or Decimal(0))


def _hourly(
    rule: AttentionRule, recent: _Recent, weight: Decimal | None
) -> dict[str, Decimal | datetime] | None:
    limit = rule.values["ml_per_hour"]
    return {"base": limit} if recent.hours_above(int(rule.values["hours"]), Fraction(limit)) else None


def _hourly_per_weight(
    rule: AttentionRule, recent: _Recent, weight: Decimal | None
) -> dict[str, Decimal | datetime] | None:
    if weight is None:
        return None
    limit = rule.values["ml_per_kg_per_hour"]
    above = recent.hours_above(int(rule.values["hours"]), Fraction(limit) * Fraction(weight))
    return {"base": limit} if above else None


def _daily(
    rule: AttentionRule, recent: _Recent, weight: Decimal | None
) -> dict[str, Decimal | datetime] | None:
    return _sum_over(rule, recent, _hours(rule.values["hours"]))


def _at_once(
    rule: AttentionRule, recent: _Recent, weight: Decimal | None
) -> dict[str, Decimal | datetime] | None:
    return _sum_over(rule, recent, _hours(rule.values["minutes"]) / 60)


def _hours(hours: Decimal) -> timedelta:
    """Hours as a time span, to the microsecond."""
    return timedelta(microseconds=int(hours * 3_600_000_000))


def _sum_over(rule: AttentionRule, recent: _Recent, span: timedelta) -> dict[str, Decimal | datetime] | None:
    end = recent.interval.end
    total = recent.output(end - span, end)
    if total < Fraction(rule.values["ml"]):
        return None
    shown = Decimal(total.numerator // total.denominator)
    return {"output": shown, "base": rule.values["ml"], "start": end - span}


def _stopped(
    rule: AttentionRule, recent: _Recent, weight: Decimal | None
) -> dict[str, Decimal | datetime] | None:
    """Nothing for a while after a flow: told once, when the while is over."""
    wanted = _hours(rule.values["hours"])
    end = recent.interval.end
    for interval in recent.back():
        if interval.start is None or interval.output is None:
            return None
        recent.see(interval)
        if interval.output > 0 or interval.bound != "exact":
            stopped = interval.end
            latest = recent.interval.start
            over = latest is not None and wanted + _DAY >= end - stopped >= wanted > latest - stopped
            flowed = interval.rate is not None and interval.rate >= rule.values["ml_per_hour"]
            return {"base": interval.rate or Decimal(0), "level": Decimal(0)} if over and flowed else None
    return None


_CHECKS: dict[
    str, Callable[[AttentionRule, _Recent, Decimal | None], dict[str, Decimal | datetime] | None]
] = {
    "hourly-output": _hourly,
    "hourly-output-per-weight": _hourly_per_weight,
    "daily-output": _daily,
    "output-at-once": _at_once,
    "output-stopped-abruptly": _stopped,
}

_REACH: dict[str, Callable[[AttentionRule], timedelta]] = {
    "hourly-output": lambda rule: int(rule.values["hours"]) * _HOUR + _LONGEST_HOURLY,
    "hourly-output-per-weight": lambda rule: int(rule.values["hours"]) * _HOUR + _LONGEST_HOURLY,
    "daily-output": lambda rule: _hours(rule.values["hours"]),
    "output-at-once": lambda rule: _hours(rule.values["minutes"]) / 60,
    "output-stopped-abruptly": lambda rule: _hours(rule.values["hours"]) + _DAY,
}
