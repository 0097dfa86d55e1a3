"""mappings/units.toml: how units are written, and which spellings are refused because they can mean two."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from drainledger.domain import conversion
from drainledger.domain.quantities import KINDS, Units
from drainledger.mapping.errors import Fault
from drainledger.mapping.files import Model, Text

_KEPT_IN: Final = {kind.name: kind.unit for kind in KINDS}

Spelling = Annotated[str, StringConstraints(min_length=1, max_length=32, pattern=r"^\S+( \S+)*$")]


class UnitTable(Model):
    code: Spelling
    measures: Literal["volume", "pressure", "flow", "mass"]
    spellings: tuple[Spelling, ...] = ()
    source: Text


class AmbiguousTable(Model):
    spellings: Annotated[tuple[Spelling, ...], Field(min_length=1)]
    advice: Text


class UnitsFile(Model):
    units: Annotated[tuple[UnitTable, ...], Field(min_length=1)]
    ambiguous: tuple[AmbiguousTable, ...] = ()

    def domain(self) -> Units:
        return Units(
            {spelling: unit.code for unit in self.units for spelling in unit.spellings},
            {spelling: table.advice for table in self.ambiguous for spelling in table.spellings},
        )


def check(content: UnitsFile) -> Iterator[Fault]:
    """Each spelling stands once, each code has one table."""
    written = [
        (("units", place, "spellings", number), spelling)
        for place, unit in enumerate(content.units)
        for number, spelling in enumerate(unit.spellings)
    ] + [
        (("ambiguous", place, "spellings", number), spelling)
        for place, table in enumerate(content.ambiguous)
        for number, spelling in enumerate(table.spellings)
    ]
    seen: set[str] = set()
    for path, spelling in written:
        if spelling in seen:
            yield Fault(path, f"'{spelling}' stands here twice")
        seen.add(spelling)
    codes: set[str] = set()
    for place, unit in enumerate(content.units):
        if unit.code in codes:
            yield Fault(("units", place, "code"), "has a table of its own already")
        codes.add(unit.code)


def check_codes(content: UnitsFile) -> Iterator[Fault]:
    """Each code is UCUM and measures what it says. Slow: this is what loads the unit library."""
    for place, unit in enumerate(content.units):
        try:
            conversion.factor(unit.code, _KEPT_IN[unit.measures])
        except conversion.NotUcum:
            yield Fault(("units", place, "code"), "is not a UCUM code")
        except conversion.NotComparable:
            yield Fault(("units", place, "measures"), f"the code does not measure {unit.measures}")
