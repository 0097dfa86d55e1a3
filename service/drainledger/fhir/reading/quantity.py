"""A FHIR Quantity as the contract's `{value, unit}`: the UCUM code, or the unit's spelling where there is no code."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from drainledger.domain.quantities import QuantityError, Units, UnknownUnit
from drainledger.fhir.codes import UCUM
from drainledger.fhir.reading.notes import Notes

_PARTS: Final = frozenset({"id", "extension", "value", "comparator", "unit", "system", "code"})
#: How a grade's unit is written: it has none.
_SCORES: Final = frozenset({"{score}", "score", "1"})
#: Large, so that the one rounding of a conversion hides no difference.
_MUCH: Final = Decimal(1_000_000)


def read_quantity(notes: Notes, units: Units, raw: dict[str, Any], path: str) -> dict[str, Any] | None:
    """`{value, unit}`, both as they were written; None where it can't be told, with the reason noted."""
    value = _value(notes, raw, path)
    unit = _unit(notes, raw, path)
    if value is None or unit is None:
        return None
    said = raw.get("unit")
    if isinstance(said, str) and said != unit and _disagree(units, unit, said):
        notes.refuse(
            f"{path}.unit",
            "conflict",
            "Unit and code of this quantity are two different units. Check which of them was read, and send that.",
        )
        return None
    return {"value": value, "unit": unit}


def read_grade(notes: Notes, raw: dict[str, Any], path: str) -> Any:
    """The number of a grade, as it was written."""
    value = _value(notes, raw, path)
    said = raw.get("code", raw.get("unit"))
    if said is not None and (not isinstance(said, str) or said not in _SCORES):
        notes.refuse(
            f"{path}.code", "value", "A grade has the unit {score}; for a flow of air use air-leak-flow."
        )
        return None
    return value


def _value(notes: Notes, raw: dict[str, Any], path: str) -> int | Decimal | None:
    for name in raw.keys() - _PARTS:
        if name.startswith("_"):
            notes.warn(f"{path}.{name[1:]}", "What extends this element is not kept.")
        else:
            notes.refuse(path, "structure", "A Quantity has an element here that FHIR does not know.")
    if raw.get("extension") is not None:
        notes.warn(f"{path}.extension", "Extensions of a quantity are not kept.")
    if raw.get("comparator") is not None:
        notes.refuse(
            f"{path}.comparator",
            "business-rule",
            "A bound is no reading: only what was read can be taken. Where it can't be told, say why instead.",
        )
        return None
    value = raw.get("value")
    if value is None:
        notes.refuse(
            f"{path}.value", "required", "This quantity has no value. Send the number that was read."
        )
    elif type(value) is not int and type(value) is not Decimal:
        notes.refuse(f"{path}.value", "structure", "The value of a quantity is a number in FHIR.")
    else:
        return value
    return None


def _unit(notes: Notes, raw: dict[str, Any], path: str) -> str | None:
    system, code, unit = (notes.text(raw, name, path) for name in ("system", "code", "unit"))
    if system is not None and system != UCUM:
        notes.refuse(f"{path}.system", "code-invalid", f"Units are taken by UCUM ({UCUM}) alone.")
    elif code is not None and system is None:
        notes.refuse(f"{path}.code", "invariant", f"A code needs its system (qty-3): {UCUM}.")
    elif code is None and system is not None:
        notes.refuse(f"{path}.code", "required", "The system of the unit is there, and its code is not.")
    elif code is None and unit is None:
        notes.refuse(
            f"{path}.code",
            "required",
            "This quantity has no unit, and a number alone could mean several amounts.",
        )
    else:
        return code or unit
    return None


def _disagree(units: Units, code: str, said: str) -> bool:
    """Whether two units are known and differ. A unit's text may be anything that people read: what is not known as a
    spelling contradicts nothing."""
    for convert in (units.volume, units.pressure, units.flow, units.mass):
        try:
            one = convert(_MUCH, code)
        except QuantityError:
            continue
        try:
            return convert(_MUCH, said) != one
        except UnknownUnit:
            return False
        except QuantityError:
            return True
    return False
