"""The output between two levels of one chamber (DESIGN 4 'Interval', 'Amounts and counters')."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from msgspec import Struct

from drainledger.domain.collectors import OVER_CAPACITY, Chamber, Profile
from drainledger.domain.entries import Bound
from drainledger.domain.state import ZERO, Baseline, Drawn

_HALF = Decimal("0.5")


class Scale(Struct, frozen=True):
    """How the levels of one connection are judged: the chamber of its profile, and whether it is a counter."""

    profile: Profile
    chamber: Chamber
    counter: bool

    @property
    def capacity(self) -> Decimal | None:
        return None if self.counter else self.chamber.capacity

    def tolerance(self, one: Decimal, other: Decimal) -> Decimal:
        """Reading tolerance in mL between two levels, reckoned at the greater."""
        return self.profile.tolerance_at(self.chamber, max(one, other))

    def resolution(self, level: Decimal) -> Decimal:
        """The graduation at a level, squared (mL^2)."""
        step = self.chamber.graduation(level)
        return step * step

    def start_resolution(self, level: Decimal) -> Decimal:
        """A stated start of 0 is known, not read."""
        return ZERO if level == 0 else self.resolution(level)

    def refuse(self, level: Decimal) -> str | None:
        """Why a level can't be one of this chamber: a code, or None."""
        if level < 0:
            return "level-below-zero"
        if self.capacity is not None and level > self.capacity * OVER_CAPACITY:
            return "level-beyond-capacity"
        return None

    def read(self, level: Decimal) -> Decimal:
        """A level somewhat above capacity is read as capacity."""
        return level if self.capacity is None else min(level, self.capacity)

    def finer_than_graduation(self, level: Decimal) -> bool:
        """Whether a level claims more than half a graduation can tell."""
        return not self.counter and level % (self.chamber.graduation(level) * _HALF) != 0

    def may_reset(self) -> bool:
        """Whether the counter may start again at 0 by itself."""
        rules = self.profile.counter
        return self.counter and rules is not None and (rules.reset_allowed or rules.daily_reset is not None)


class Output(Struct, frozen=True, kw_only=True):
    """What came out between two anchors (mL), its bound, why, and whether the earlier level stays the baseline."""

    volume: Decimal | None
    bound: Bound
    finding: str | None = None
    keeps_baseline: bool = False
    reset: bool = False


def reckon(scale: Scale, baseline: Baseline | None, level: Decimal, drawn: Drawn) -> Output:
    """One row of the table of DESIGN 4. `level` is read against `baseline`; both mL."""
    if baseline is None:
        return _unknown(None, drawn, "start-level-not-known")
    if drawn.not_stated:
        return _unknown(baseline, drawn, "reinfusion-not-measured")
    rise = level - baseline.level + drawn.volume
    if rise >= 0:
        return _risen(scale, level, drawn, rise)
    if scale.may_reset():
        # A device's count has no reading noise: whatever falls was reset.
        return Output(volume=level, bound="at-least", finding="counter-reset", reset=True)
    if -rise <= scale.tolerance(baseline.level, level):
        # The chamber was full already: that less is read now does not empty it.
        still_full = scale.capacity is not None and baseline.level >= scale.capacity
        return Output(
            volume=ZERO,
            bound="at-least" if still_full else "exact",
            finding="within-reading-tolerance",
            keeps_baseline=True,
        )
    return _unknown(baseline, drawn, "unexplained-fall")


def _risen(scale: Scale, level: Decimal, drawn: Drawn, rise: Decimal) -> Output:
    """A full chamber takes no more, so what came then is not seen; one drawn from may have been full before."""
    capacity = scale.capacity
    if capacity is not None and level >= capacity:
        return Output(volume=rise, bound="at-least", finding="chamber-full")
    if capacity is not None and level + drawn.volume >= capacity:
        return Output(volume=rise, bound="at-least", finding="chamber-was-full")
    return Output(volume=rise, bound="exact")


def across_daily_reset(level: Decimal) -> Output:
    """A counter that starts again every day at a known time shows at least what came since."""
    return Output(volume=level, bound="at-least", finding="counter-reset", reset=True)


def not_read(baseline: Baseline | None, drawn: Drawn, finding: str) -> Output:
    """An interval that ends with no level."""
    return _unknown(baseline, drawn, finding)


def _unknown(baseline: Baseline | None, drawn: Drawn, finding: str) -> Output:
    """A sample is taken from the tube (common practice, no source), so it came since. Blood given back may have been
    in the chamber before: only what goes beyond the level that was there must have come since."""
    beyond = drawn.given_back - baseline.level if baseline is not None else ZERO
    certain = drawn.volume - drawn.given_back + max(beyond, ZERO)
    if certain > 0:
        return Output(volume=certain, bound="at-least", finding=finding)
    return Output(volume=None, bound="unknown", finding=finding)


def crosses_daily_reset(
    scale: Scale, zone: ZoneInfo, start: datetime, end: datetime, after_reset: bool
) -> bool:
    """Whether a counter's daily reset falls between two anchors.

    A reading in the very instant of the reset shows the old count unless it has fallen (`after_reset`).
    """
    rules = scale.profile.counter
    if not scale.counter or rules is None or rules.daily_reset is None:
        return False
    local = start.astimezone(zone)
    reset = datetime.combine(local.date(), rules.daily_reset, tzinfo=zone)
    while reset.timestamp() < start.timestamp() or (reset.timestamp() == start.timestamp() and after_reset):
        reset = datetime.combine(reset.date() + timedelta(days=1), rules.daily_reset, tzinfo=zone)
    return reset.timestamp() < end.timestamp()
