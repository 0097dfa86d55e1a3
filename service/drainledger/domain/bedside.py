"""What is seen beside the level: suction, clamps, air, weight (DESIGN 4 'Suction', 'Air', 'Clamps')."""

from __future__ import annotations

from decimal import Decimal
from typing import TypeAlias

from msgspec.structs import replace

from drainledger.domain.collectors import Profile
from drainledger.domain.entries import Ground
from drainledger.domain.records import AirLeak, Event, Key, Reading, Suction, SuctionMode
from drainledger.domain.state import ZERO, Bedside, Clamp

#: On gravity breathing alone draws the pressure this far down, cm[H2O] (common practice, no source).
GRAVITY_BREATH = Decimal(-10)

#: A finding's code with the facts of its sentence, and what it rests on (None: not known by which record).
Noticed: TypeAlias = tuple[str, dict[str, "Decimal | str"], tuple["Ground | None", ...]]


def take_suction(
    bedside: Bedside, reading: Reading, profile: Profile | None
) -> tuple[Bedside, list[Noticed]]:
    """Suction as a reading gives it: prescribed, set and measured, each for itself."""
    suction = reading.suction or Suction()
    noticed: list[Noticed] = []
    if reading.suction is not None:
        bedside = _take_settings(bedside, reading.key, suction)
    if suction.indicator == "not-reached" and bedside.mode != "gravity":
        noticed.append(("suction-not-reached", {}, (Ground(reading.key, "suction"),)))
    prescribed = bedside.prescribed
    if suction.set is not None and prescribed is not None and suction.set != prescribed:
        facts: dict[str, Decimal | str] = {"level": suction.set, "base": prescribed}
        grounds = (Ground(reading.key, "suction-set"), bedside.prescribed_by)
        noticed.append(("suction-differs-from-prescribed", facts, grounds))
    measured = suction.applied if suction.applied is not None else reading.pressure
    if measured is None:
        return bedside, noticed
    by = Ground(reading.key, "suction-applied" if suction.applied is not None else "pressure")
    relief = profile.relief_pressure if profile is not None else None
    if relief is not None and measured < relief:
        noticed.append(("beyond-relief-pressure", {"level": measured, "base": relief}, (by,)))
    if bedside.lowered and bedside.setting is not None:
        if measured < (GRAVITY_BREATH if bedside.mode == "gravity" else bedside.setting):
            facts = {"level": measured, "base": bedside.setting}
            noticed.append(("pressure-held-after-decrease", facts, (by, bedside.set_by)))
        else:
            bedside = replace(bedside, lowered=False)
    return bedside, noticed


def _take_settings(bedside: Bedside, key: Key, suction: Suction) -> Bedside:
    """What a reading says that the suction is set and prescribed to."""
    bedside = _new_setting(bedside, suction.mode, suction.set, Ground(key, "suction-set"))
    if suction.prescribed is None or suction.prescribed == bedside.prescribed:
        return bedside
    stated = Ground(key, "suction-prescribed")
    return replace(bedside, prescribed=suction.prescribed, prescribed_by=stated)


def prescribe(bedside: Bedside, event: Event) -> Bedside:
    """A prescription is in force until the next. It says whether there is to be suction, but sets no value."""
    pressure = ZERO if event.mode == "gravity" else event.pressure
    by = Ground(event.key, "suction-prescribed")
    return replace(bedside, prescribed=pressure, prescribed_by=by, mode=event.mode or bedside.mode)


def _new_setting(bedside: Bedside, mode: SuctionMode | None, setting: Decimal | None, by: Ground) -> Bedside:
    """A setting that nobody states stays, but for the 0 of gravity, which goes with it."""
    before = bedside.setting
    if mode == "gravity":
        setting = ZERO
    elif mode == "suction" and setting is None and before == ZERO:
        return replace(bedside, mode=mode, setting=None, set_by=None, lowered=False)
    if mode is not None and mode != bedside.mode:
        bedside = replace(bedside, mode=mode)
    if setting is None or setting == before:
        return bedside
    lowered = bedside.lowered if before is None else setting > before
    return replace(bedside, setting=setting, set_by=by, lowered=lowered)


def vent(bedside: Bedside) -> tuple[Bedside, list[Noticed]]:
    """Negative pressure released by hand."""
    noticed: list[Noticed] = [("vented-without-suction", {}, ())] if bedside.mode == "gravity" else []
    return (replace(bedside, lowered=False) if bedside.lowered else bedside), noticed


def clamp(bedside: Bedside, event: Event) -> Bedside:
    """A second clamping of a clamped tube changes nothing, nor does an unclamping of an open one."""
    held = bedside.clamp
    if event.kind == "clamped":
        if held is not None and held.until is None:
            return bedside
        return replace(bedside, clamp=Clamp(event.at))
    if held is None or held.until is not None:
        return bedside
    return replace(bedside, clamp=Clamp(held.since, event.at, held.told))


def take_out(bedside: Bedside, event: Event) -> Bedside:
    """With the tube goes its clamp."""
    held = bedside.clamp
    if held is None or held.until is not None:
        return bedside
    return replace(bedside, clamp=Clamp(held.since, event.at, held.told))


def is_clamped(bedside: Bedside) -> bool:
    """Whether the tube is charted as clamped now."""
    return bedside.clamp is not None and bedside.clamp.until is None


def leak_shown(key: Key, air: AirLeak) -> tuple[Ground, ...]:
    """What of a reading shows that air leaks; nothing where nothing does."""
    shown: list[Ground] = []
    if air.pattern in ("intermittent", "continuous"):
        shown.append(Ground(key, "pattern"))
    if air.grade is not None and air.grade > 0:
        shown.append(Ground(key, "grade"))
    if air.flow is not None and air.flow > 0:
        shown.append(Ground(key, "flow"))
    return tuple(shown)


def looked(air: AirLeak) -> bool:
    """Whether somebody looked for air: 'not-assessed' alone tells nothing."""
    return air.grade is not None or air.flow is not None or air.pattern not in (None, "not-assessed")


def grade_refused(air: AirLeak, profile: Profile | None) -> str | None:
    """Why a grade means nothing on this unit: a code, or None."""
    if air.grade is None:
        return None
    if profile is None or profile.air_leak_scale is None:
        return "no-leak-scale"
    return "grade-off-scale" if not 0 <= air.grade <= profile.air_leak_scale.highest else None


def scale_mismatch(reading: Reading, bedside: Bedside, profile: Profile | None) -> bool:
    """Whether a bag was read on the wrong scale: suction draws its walls in (common practice, no source)."""
    if reading.scale is None or bedside.mode is None or profile is None or not profile.scales:
        return False
    return reading.scale != bedside.mode
