"""What a kind of collector can be: chambers, graduations, tolerance, suction, scales (DESIGN 2 'profile')."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time, timedelta
from decimal import Decimal

from msgspec import Struct

from drainledger.domain.records import Reads, Scale

#: A level up to this share above capacity is read as capacity; beyond it is set aside (DESIGN 4).
OVER_CAPACITY = Decimal("1.05")


class Graduation(Struct, frozen=True):
    """Marks stand every `step` mL up to and including `up_to` mL."""

    up_to: Decimal
    step: Decimal


class Chamber(Struct, frozen=True):
    """A graduated space. `capacity` in mL, None for a counter."""

    id: str
    capacity: Decimal | None
    graduations: tuple[Graduation, ...]

    def graduation(self, level: Decimal) -> Decimal:
        """The step, in mL, of the marks around `level` (mL)."""
        for band in self.graduations:
            if level <= band.up_to:
                return band.step
        return self.graduations[-1].step


class CounterRules(Struct, frozen=True):
    """How a device's cumulative count behaves. `daily_reset` is in the drain's zone."""

    reset_allowed: bool = False
    restarts_with_container: bool = False
    daily_reset: time | None = None


class AirLeakScale(Struct, frozen=True):
    """An ordinal scale of the leak meter, 0..`highest`. Grades of two scales are never compared."""

    name: str
    highest: int


class Profile(Struct, frozen=True, kw_only=True):
    """A kind of collector. Pressures in cm[H2O] (negative for suction), volumes in mL, weights in kg."""

    id: str
    display: str
    reads: Reads
    chambers: tuple[Chamber, ...]
    #: Reading tolerance in graduations at the greater level, unless `tolerance` states it in mL.
    tolerance_graduations: Decimal = Decimal(2)
    tolerance: Decimal | None = None
    in_line: bool = False
    scales: tuple[Scale, ...] = ()
    air_leak_scale: AirLeakScale | None = None
    suction_settings: tuple[Decimal, ...] = ()
    relief_pressure: Decimal | None = None
    large_rise: Decimal | None = None
    nearly_full: Decimal | None = None
    weight_kg: tuple[Decimal, Decimal] = (Decimal("0.3"), Decimal(400))
    counter: CounterRules | None = None
    #: Which channels the unit measures by itself: "level", "pressure", "air-flow" (DeviceMetric each).
    measures: tuple[str, ...] = ()

    def chamber(self, chamber_id: str) -> Chamber | None:
        return next((chamber for chamber in self.chambers if chamber.id == chamber_id), None)

    def tolerance_at(self, chamber: Chamber, level: Decimal) -> Decimal:
        """Reading tolerance in mL between two levels of which `level` is the greater."""
        if self.tolerance is not None:
            return self.tolerance
        return self.tolerance_graduations * chamber.graduation(level)


class WindowSpec(Struct, frozen=True):
    """A charted window by local wall time; one that ends at or before its start ends the next day."""

    name: str
    start: time
    end: time


class AttentionRule(Struct, frozen=True, kw_only=True):
    """A rule of attention.toml. `clinical` ones ship switched off. `values` are the rule's own thresholds."""

    code: str
    on: bool
    clinical: bool
    issue: bool
    source: str
    text: str
    caution: str = ""
    kinds: tuple[str, ...] = ()
    values: Mapping[str, Decimal] = {}


class Rules(Struct, frozen=True, kw_only=True):
    """One version of everything in mappings/ by which records are judged. `version` is its content hash."""

    version: str
    profiles: Mapping[str, Profile]
    windows: tuple[WindowSpec, ...]
    grace: timedelta
    attention: Mapping[str, AttentionRule]
    #: Source -> priority for two readings of one chamber at one instant; the higher wins, 0 where absent.
    priorities: Mapping[str, int] = {}
