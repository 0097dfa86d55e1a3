"""Quantities `{value, unit}` in the ledger's units (DESIGN 3 'Quantities')."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from drainledger.domain.quantities import AmbiguousUnit, QuantityError, UnknownUnit, WrongDimension
from drainledger.domain.validation.context import Context, Converter, remember
from drainledger.domain.validation.texts import bare, number, shown, type_name

#: A value has at most this many digits, and lies below 10^9 and, unless zero, above 10^-20.
_MOST_DIGITS: Final = 20
_LARGEST_EXPONENT: Final = 8
_SMALLEST_EXPONENT: Final = -20
_LONGEST_UNIT: Final = 40
_PARTS: Final = ("value", "unit")
_PUT_IN: Final = "; if fluid was put in or given back, chart an irrigation or a reinfusion"
_WANTED: Final = {"mass": "weight", "flow": "a flow of air"}


def level(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """mL. Below zero is let through: the ledger sets such a level aside and keeps its Observation (DESIGN 4)."""
    return _quantity(ctx, ctx.memory.volume, raw, path)


def volume(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """mL, not below zero."""
    return _amount(ctx, ctx.memory.volume, raw, path, _PUT_IN)


def flow(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """mL/min, not below zero."""
    return _amount(ctx, ctx.memory.flow, raw, path)


def mass(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """kg, not below zero."""
    return _amount(ctx, ctx.memory.mass, raw, path)


def pressure(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """cm[H2O] gauge, of either sign: a cough is positive."""
    return _quantity(ctx, ctx.memory.pressure, raw, path)


def swing(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """cm[H2O] between the ends of a movement, not below zero."""
    return _amount(ctx, ctx.memory.pressure, raw, path)


def grade(ctx: Context, raw: Any, path: str) -> int | None:
    """A whole number from 0; how far the scale goes is the profile's matter."""
    if type(raw) is not int and type(raw) is not Decimal:
        ctx.hold("wrong-type", path, wanted="a whole number", found=type_name(raw))
    elif not _is_readable(Decimal(raw)):
        ctx.hold("number-out-of-range", path)
    elif raw != int(raw):
        ctx.hold("grade-not-whole", path, value=number(Decimal(raw)))
    elif raw < 0:
        ctx.hold("negative-amount", path, value=int(raw), unit="on its scale", instead="")
    else:
        return int(raw)
    return None


def sent(raw: Any) -> dict[str, str]:
    """Value and unit as they were sent, for a sentence about a quantity that has been read without a problem."""
    return {"value": number(Decimal(raw["value"])), "unit": bare(raw["unit"])}


def _amount(ctx: Context, converter: Converter, raw: Any, path: str, instead: str = "") -> Decimal | None:
    value = _quantity(ctx, converter, raw, path)
    if value is not None and value < 0:
        ctx.hold("negative-amount", path, instead=instead, **sent(raw))
        return None
    return value


def _quantity(ctx: Context, converter: Converter, raw: Any, path: str) -> Decimal | None:
    try:
        # True is 1 to a dict, and a float may equal a Decimal: only exact numbers may be looked up.
        if type(raw["value"]) in (int, Decimal) and len(raw) == 2:
            return converter.known[raw["value"], raw["unit"]]
    except (KeyError, TypeError, IndexError):
        pass
    return _new_quantity(ctx, converter, raw, path)


def _new_quantity(ctx: Context, converter: Converter, raw: Any, path: str) -> Decimal | None:
    if type(raw) in (int, Decimal, float):
        ctx.hold("missing-unit", path)
        return None
    if not isinstance(raw, dict):
        ctx.hold("wrong-type", path, wanted="a value with its unit", found=type_name(raw))
        return None
    for name in raw:
        if name not in _PARTS:
            ctx.ignore(path, name, _PARTS)
    value = _value(ctx, raw.get("value"), path + "/value")
    unit = _unit(ctx, raw.get("unit"), path)
    return None if value is None or unit is None else _convert(ctx, converter, value, unit, path)


def _value(ctx: Context, raw: object, path: str) -> Decimal | None:
    if raw is None:
        ctx.hold("missing-field", path)
    elif type(raw) is not int and type(raw) is not Decimal:
        ctx.hold("wrong-type", path, wanted="a number", found=type_name(raw))
    elif not _is_readable(Decimal(raw)):
        ctx.hold("number-out-of-range", path)
    else:
        return Decimal(raw)
    return None


def _is_readable(value: Decimal) -> bool:
    if not value.is_finite():
        return False
    _, digits, exponent = value.as_tuple()
    smallest = isinstance(exponent, int) and exponent >= _SMALLEST_EXPONENT
    return smallest and len(digits) <= _MOST_DIGITS and (not value or value.adjusted() <= _LARGEST_EXPONENT)


def _unit(ctx: Context, raw: object, path: str) -> str | None:
    if raw is None or raw == "":
        ctx.hold("missing-unit", path)
    elif not isinstance(raw, str):
        ctx.hold("wrong-type", path + "/unit", wanted="a unit as text", found=type_name(raw))
    elif len(raw) > _LONGEST_UNIT:
        ctx.hold("unknown-unit", path + "/unit", unit=shown(raw))
    else:
        return raw
    return None


def _convert(ctx: Context, converter: Converter, value: Decimal, unit: str, path: str) -> Decimal | None:
    try:
        converted = converter.convert(value, unit)
    except AmbiguousUnit as error:
        ctx.hold("ambiguous-unit", path + "/unit", unit=shown(unit), advice=error.advice)
    except UnknownUnit:
        ctx.hold("unknown-unit", path + "/unit", unit=shown(unit))
    except WrongDimension as error:
        ctx.hold(
            "wrong-dimension",
            path + "/unit",
            unit=shown(unit),
            wanted=_WANTED.get(error.wanted, error.wanted),
        )
    except QuantityError:
        ctx.hold("number-out-of-range", path + "/value")
    else:
        remember(converter.known, (value, unit), converted)
        return converted
    return None
