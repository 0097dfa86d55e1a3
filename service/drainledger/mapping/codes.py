"""mappings/codes.toml: the local code system, what each code measures, and the standard codes that fit it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import Struct
from pydantic import Field

from drainledger.mapping.errors import Fault
from drainledger.mapping.files import Model, Number, Slug, Text
from drainledger.mapping.standards import SNOMED, SUMMED, SUMMED_ON, UNITS, VERIFIED, WORDS

Relation = Literal["equivalent", "wider", "narrower", "inexact", "unmatched"]


class StandardCode(Struct, frozen=True, kw_only=True):
    """A code of a published system that fits a local one.

    `relation` describes the standard code as seen from the local one ("wider": the standard code says less).
    "unmatched" has no code and says in `display` why nothing of that system may be sent. `wire` is False where it
    stands in the ConceptMap only. `comment` is there wherever the two differ.
    """

    system: str
    code: str
    display: str
    relation: Relation
    verified: str
    wire: bool = True
    comment: str | None = None


class Code(Struct, frozen=True, kw_only=True):
    """A local code. `kind` groups codes ("observation", "site", "finding", ...). `unit` is UCUM, `unit_display` for
    people, `step` the precision; `category` ("exam", "therapy") and `emit` matter for observations."""

    code: str
    display: str
    definition: str
    kind: str
    unit: str | None = None
    unit_display: str | None = None
    step: Decimal | None = None
    category: str | None = None
    emit: bool = True
    standard: tuple[StandardCode, ...] = ()


class StandardTable(Model):
    system: Text
    code: Text | None = None
    display: Text | None = None
    relation: Relation
    verified: Text | None = None
    wire: Annotated[bool, Field(strict=True)] = True
    comment: Text | None = None


class WordTable(Model):
    """A code that names something."""

    display: Text
    definition: Text
    standard: tuple[StandardTable, ...] = ()


class MeasureTable(WordTable):
    """A code that is observed: a quantity has unit, unit_display and step; a word has none of the three."""

    unit: Text | None = None
    unit_display: Text | None = None
    step: Annotated[Number, Field(gt=0)] | None = None


class ObservationTable(MeasureTable):
    category: Literal["exam", "therapy"]
    emit: Annotated[bool, Field(strict=True)] = True


class CodesFile(Model):
    observation: dict[Slug, ObservationTable]
    component: dict[Slug, MeasureTable]
    category: dict[Slug, WordTable]
    device_type: dict[Slug, WordTable]
    property_type: dict[Slug, MeasureTable]
    site: dict[Slug, WordTable]
    bubbling: dict[Slug, WordTable]
    tidaling: dict[Slug, WordTable]
    patency: dict[Slug, WordTable]
    appearance: dict[Slug, WordTable]
    suction_mode: dict[Slug, WordTable]
    suction_indicator: dict[Slug, WordTable]
    leak_provoked: dict[Slug, WordTable]
    pinch_result: dict[Slug, WordTable]
    method: dict[Slug, WordTable]
    leak_scale: dict[Slug, WordTable]
    finding: dict[Slug, WordTable]

    def sections(self) -> Iterator[tuple[str, Mapping[str, WordTable]]]:
        for name in CodesFile.model_fields:
            yield name, getattr(self, name)

    def domain(self) -> dict[str, Code]:
        return {
            code: _code(code, name.replace("_", "-"), table)
            for name, section in self.sections()
            for code, table in section.items()
        }


def _code(code: str, kind: str, table: WordTable) -> Code:
    stated = table.model_dump(exclude={"standard"})
    return Code(code=code, kind=kind, standard=tuple(_standard(entry) for entry in table.standard), **stated)


def _standard(table: StandardTable) -> StandardCode:
    return StandardCode(
        system=table.system,
        code=table.code or "",
        display=table.display or table.comment or "",
        relation=table.relation,
        verified=table.verified or "",
        wire=table.wire and table.relation != "unmatched",
        comment=table.comment,
    )


def check(content: CodesFile) -> Iterator[Fault]:
    kinds: dict[str, str] = {}
    for name, section in content.sections():
        for code, table in section.items():
            if code in kinds:
                yield Fault((name, code), f"is a code under [{kinds[code]}] already")
            kinds[code] = name
            yield from _check_measure((name, code), table)
            for place, standard in enumerate(table.standard):
                yield from _check_standard((name, code, "standard", place), standard)
    yield from _check_the_sum(content)
    yield from _check_what_is_written(content)


def _check_measure(path: tuple[str, str], table: WordTable) -> Iterator[Fault]:
    if not isinstance(table, MeasureTable):
        return
    stated = [name for name in ("unit", "unit_display", "step") if getattr(table, name) is not None]
    if stated and len(stated) < 3:
        yield Fault((*path, stated[0]), "unit, unit_display and step go together")
    if table.step is not None and table.step.as_tuple().digits != (1,):
        yield Fault((*path, "step"), "should be a power of ten")
    yield from _check_unit(path, table)


def _check_unit(path: tuple[str, str], table: MeasureTable) -> Iterator[Fault]:
    unit = UNITS.get(path)
    if path in WORDS and table.unit is not None:
        yield Fault((*path, "unit"), "should be left out: what is written under this code has no unit")
    elif unit is not None and table.unit is None:
        yield Fault((*path, "unit"), f'is missing: values of this code are written in "{unit}"')
    elif unit is not None and table.unit != unit:
        yield Fault(
            (*path, "unit"), f'should be "{unit}": values of this code are written in it, never converted'
        )


def _check_what_is_written(content: CodesFile) -> Iterator[Fault]:
    """Observations, components and properties that are written must have their entry under their own kind."""
    sections = dict(content.sections())
    for name, code in sorted({*UNITS, *WORDS}):
        if code not in sections[name]:
            yield Fault((name, code), "is missing: values are written under this code")


def _check_the_sum(content: CodesFile) -> Iterator[Fault]:
    table = content.observation.get(SUMMED_ON)
    if table is None:
        return
    sent = [entry for entry in table.standard if (entry.system, entry.code) == SUMMED and entry.wire]
    if len(sent) != 1:
        yield Fault(
            ("observation", SUMMED_ON, "standard"),
            f"should hold LOINC {SUMMED[1]} once, with nothing said of wire: {VERIFIED[SUMMED].reason}",
        )


def _check_standard(path: tuple[str, str, str, int], table: StandardTable) -> Iterator[Fault]:
    if table.relation in ("narrower", "inexact", "unmatched") and table.comment is None:
        yield Fault(
            (*path, "comment"), f"is missing: a code that is {table.relation} says how (FHIR R4 cmd-1)"
        )
    if table.relation == "unmatched":
        if table.code is not None or table.display is not None:
            yield Fault((*path, "relation"), "is unmatched: then there is no code and no display")
        return
    for name in ("code", "display", "verified"):
        if getattr(table, name) is None:
            yield Fault((*path, name), "is missing")
    if table.code is not None:
        yield from _check_verified(path, table.system, table.code)
    if table.system == SNOMED and table.wire:
        yield Fault((*path, "wire"), "should be false: SNOMED CT needs a licence at the receiver")


def _check_verified(path: tuple[str, str, str, int], system: str, code: str) -> Iterator[Fault]:
    found = VERIFIED.get((system, code))
    if found is None:
        yield Fault((*path, "code"), "is not among the verified standard codes; leave the local code alone")
    elif path[1] not in found.stands_on:
        names = ", ".join(sorted(found.stands_on))
        yield Fault((*path, "code"), f"was verified for {names} and stands on nothing else: {found.reason}")
