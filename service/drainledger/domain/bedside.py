"""What is seen beside the level: suction, clamps, air, weight (DESIGN 4 'Suction', 'Air', 'Clamps')."""

from __future__ import annotations

from decimal import Decimal
from typing import TypeAlias

from msgspec.structs import replace

from drainledger.domain.collectors import Profile
from drainledger.domain.records import AirLeak, Event, Reading, Suction, SuctionMode
from drainledger.domain.state import ZERO, Bedside, Clamp

#: On gravity breathing alone draws the pressure this far down, cm[H2O] (common practice, no source).
GRAVITY_BREATH = Decimal(-10)

#: A finding's code with the facts of its sentence.
Noticed: TypeAlias = tuple[str, dict[str, "Decimal | str"]]


def take_suction(
    bedside: Bedside, reading: Reading, profile: Profile | None
) -> tuple[Bedside, list[Noticed]]:
    """Suction as a reading gives it: prescribed, set and measured, each for itself."""
    suction = reading.suction or Suction()
    setting = suction.set if suction.set is not None else suction.prescribed
    if reading.suction is not None:
        bedside = _new_setting(bedside, suction.mode, setting)
        if suction.prescribed is not None and suction.prescribed != bedside.prescribed:
            bedside = replace(bedside, prescribed=suction.prescribed)
    noticed: list[Noticed] = []
    if suction.indicator == "not-reached" and bedside.mode != "gravity":
        noticed.append(("suction-not-reached", {}))
    prescribed = bedside.prescribed
    if suction.set is not None and prescribed is not None and suction.set != prescribed:
        noticed.append(("suction-differs-from-prescribed", {"level": suction.set, "base": prescribed}))
    measured = suction.applied if suction.applied is not None else reading.pressure
    if measured is None:
        return bedside, noticed
    relief = profile.relief_pressure if profile is not None else None
    if relief is not None and measured < relief:
        noticed.append(("beyond-relief-pressure", {"level": measured, "base": relief}))
    if bedside.lowered and bedside.setting is not None:
        if measured < (GRAVITY_BREATH if bedside.mode == "gravity" else bedside.setting):
            noticed.append(("pressure-held-after-decrease", {"level": measured, "base": bedside.setting}))
        else:
            bedside = replace(bedside, lowered=False)
    return bedside, noticed


def prescribe(bedside: Bedside, event: Event) -> Bedside:
    """A prescription changes what is in force until the next."""
    changed = _new_setting(bedside, event.mode, event.pressure)
    return replace(changed, prescribed=ZERO if event.mode == "gravity" else event.pressure)


def _new_setting(bedside: Bedside, mode: SuctionMode | None, setting: Decimal | None) -> Bedside:
    if mode == "gravity":
        setting = ZERO
    if setting is None and mode in (None, bedside.mode):
        return bedside
    before = bedside.setting
    lowered = bedside.lowered
    if setting is not None and before is not None and setting != before:
        lowered = setting > before
    new_mode = mode or bedside.mode
    if new_mode == bedside.mode and setting == before and lowered == bedside.lowered:
        return bedside
    return replace(
        bedside, mode=new_mode, setting=setting if setting is not None else before, lowered=lowered
    )


def vent(bedside: Bedside) -> tuple[Bedside, list[Noticed]]:
    """Negative pressure released by hand."""
    noticed: list[Noticed] = [("vented-without-suction", {})] if bedside.mode == "gravity" else []
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


def shows_leak(air: AirLeak) -> bool | None:
    """True where air was seen, False where somebody looked and saw none, None where nobody could tell."""
    seen = (air.grade is not None and air.grade > 0) or (air.flow is not None and air.flow > 0)
    if seen or air.pattern in ("intermittent", "continuous"):
        return True
    if air.grade is not None or air.flow is not None or air.pattern == "none":
        return False
    return None


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
