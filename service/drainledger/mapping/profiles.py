"""A file of mappings/collectors/: what one kind of collector can be."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from drainledger.domain.collectors import AirLeakScale, Chamber, CounterRules, Graduation, Profile
from drainledger.domain.quantities import plain
from drainledger.domain.records import Reads, Scale
from drainledger.mapping.errors import Fault
from drainledger.mapping.files import Clock, Model, Number, Slug, Text

ChamberId = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9-]{1,16}$")]


#: Two honest readings differ by some graduations; a tolerance beyond these would swallow what came out.
_MOST_GRADUATIONS: Final = 5
_CAPACITY_SHARE: Final = Decimal("0.1")
#: mL: what levels are rounded to (DESIGN 3 'Quantities'); no mark stands finer.
_FINEST_STEP: Final = Decimal("0.1")


class GraduationTable(Model):
    up_to: Number
    step: Annotated[Number, Field(ge=_FINEST_STEP)]


class ChamberTable(Model):
    id: ChamberId
    capacity: Annotated[Number, Field(gt=0)] | None = None
    graduations: Annotated[tuple[GraduationTable, ...], Field(min_length=1)]


class AirLeakScaleTable(Model):
    name: Slug
    highest: Annotated[int, Field(strict=True, ge=1, le=20)]


class CounterTable(Model):
    reset_allowed: Annotated[bool, Field(strict=True)] = False
    restarts_with_container: Annotated[bool, Field(strict=True)] = False
    daily_reset: Clock | None = None


class ProfileFile(Model):
    """Volumes in mL, pressures in cm[H2O], weights in kg."""

    id: Slug
    display: Text
    source: Text
    reads: Reads
    chambers: Annotated[tuple[ChamberTable, ...], Field(min_length=1)]
    tolerance_graduations: Annotated[Number, Field(ge=0, le=_MOST_GRADUATIONS)] | None = None
    tolerance: Annotated[Number, Field(ge=0)] | None = None
    in_line: Annotated[bool, Field(strict=True)] = False
    scales: tuple[Scale, ...] = ()
    air_leak_scale: AirLeakScaleTable | None = None
    suction_settings: tuple[Number, ...] = ()
    relief_pressure: Number | None = None
    large_rise: Annotated[Number, Field(gt=0)] | None = None
    nearly_full: Annotated[Number, Field(gt=0, le=1)] | None = None
    weight_kg: tuple[Annotated[Number, Field(gt=0)], Annotated[Number, Field(gt=0)]] | None = None
    counter: CounterTable | None = None
    measures: tuple[Literal["level", "pressure", "air-flow"], ...] = ()

    def profile(self) -> Profile:
        # What the file leaves out keeps the default that the domain states for it.
        stated = {
            name: getattr(self, name)
            for name in ("tolerance_graduations", "weight_kg")
            if getattr(self, name) is not None
        }
        return Profile(
            id=self.id,
            display=self.display,
            reads=self.reads,
            chambers=tuple(_chamber(chamber) for chamber in self.chambers),
            tolerance=self.tolerance,
            in_line=self.in_line,
            scales=self.scales,
            air_leak_scale=AirLeakScale(**self.air_leak_scale.model_dump()) if self.air_leak_scale else None,
            suction_settings=self.suction_settings,
            relief_pressure=self.relief_pressure,
            large_rise=self.large_rise,
            nearly_full=self.nearly_full,
            counter=CounterRules(**self.counter.model_dump()) if self.counter else None,
            measures=self.measures,
            **stated,
        )


def _chamber(table: ChamberTable) -> Chamber:
    graduations = tuple(Graduation(band.up_to, band.step) for band in table.graduations)
    return Chamber(table.id, table.capacity, graduations)


def check(file: Path, content: ProfileFile) -> Iterator[Fault]:
    """What one key can't show by itself."""
    if content.id != file.stem:
        yield Fault(("id",), f"should be the file's name, '{file.stem}'")
    if content.tolerance is not None and content.tolerance_graduations is not None:
        yield Fault(("tolerance",), "stands beside tolerance_graduations; keep one of them")
    seen: set[str] = set()
    for place, chamber in enumerate(content.chambers):
        path = ("chambers", place)
        if chamber.id in seen:
            yield Fault((*path, "id"), "is the id of an earlier chamber too")
        seen.add(chamber.id)
        yield from _check_chamber(content, chamber, path)
    yield from _check_tolerance(content)
    yield from _check_suction(content)
    yield from _check_what_is_read(content)


def _check_chamber(content: ProfileFile, chamber: ChamberTable, path: tuple[str, int]) -> Iterator[Fault]:
    bands = chamber.graduations
    for place, (lower, upper) in enumerate(pairwise(bands), start=1):
        if upper.up_to <= lower.up_to:
            yield Fault((*path, "graduations", place, "up_to"), "should be above that of the band before it")
    if bands[0].up_to <= 0:
        yield Fault((*path, "graduations", 0, "up_to"), "should be above 0")
    if chamber.capacity is not None and bands[-1].up_to < chamber.capacity:
        yield Fault(
            (*path, "graduations", len(bands) - 1, "up_to"),
            f"the graduations end below the capacity, {chamber.capacity} mL",
        )
    if chamber.capacity is None and content.reads == "level":
        yield Fault((*path, "capacity"), "is missing: a chamber that is read by level needs it")
    if chamber.capacity is not None and content.reads == "counter":
        yield Fault((*path, "capacity"), "does not go with reads = 'counter': a counter goes on counting")


def _check_tolerance(content: ProfileFile) -> Iterator[Fault]:
    if content.tolerance is None:
        return
    most = min(_most_tolerance(chamber) for chamber in content.chambers)
    if content.tolerance > most:
        yield Fault(
            ("tolerance",),
            f"should be at most {plain(most)} mL: a tenth of the capacity, or without one "
            f"{_MOST_GRADUATIONS} graduations",
        )


def _most_tolerance(chamber: ChamberTable) -> Decimal:
    if chamber.capacity is not None:
        return chamber.capacity * _CAPACITY_SHARE
    return _MOST_GRADUATIONS * max(band.step for band in chamber.graduations)


def _check_suction(content: ProfileFile) -> Iterator[Fault]:
    for place, setting in enumerate(content.suction_settings):
        if setting >= 0:
            yield Fault(("suction_settings", place), "should be negative: suction is below atmosphere")
    relief = content.relief_pressure
    if relief is None:
        return
    if relief >= 0:
        yield Fault(("relief_pressure",), "should be negative: suction is below atmosphere")
    elif any(setting < relief for setting in content.suction_settings):
        yield Fault(("relief_pressure",), "opens above a suction setting, which could then never be reached")


def _check_what_is_read(content: ProfileFile) -> Iterator[Fault]:
    if content.counter is not None and content.reads != "counter":
        yield Fault(("counter",), f"does not go with reads = '{content.reads}'")
    if content.in_line and not content.scales:
        yield Fault(("scales",), "is missing: an in-line bag is read on at least one scale")
    for name in ("scales", "suction_settings", "measures"):
        values = getattr(content, name)
        if len(set(values)) < len(values):
            yield Fault((name,), "names something twice")
    if content.weight_kg is not None and content.weight_kg[0] >= content.weight_kg[1]:
        yield Fault(("weight_kg",), "should be the lowest plausible weight, then the highest")
