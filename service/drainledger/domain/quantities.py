"""Quantities, exactly: any accepted unit into the one unit of its kind, rounded half-even once (DESIGN 3 'Quantities').

Errors, all of which carry the facts as fields and never the value:

    QuantityError
      UnknownUnit            no spelling of units.toml and no UCUM code
        AmbiguousUnit        a spelling that names more than one unit; `advice` says what to write instead
      WrongDimension         a unit of something else than was wanted, or one on an offset or logarithmic scale
      ValueOutOfRange        not a finite number, or of more digits than any reading has
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Context, Decimal, DivisionByZero, Inexact, InvalidOperation, Overflow
from fractions import Fraction
from functools import lru_cache
from typing import Final

from msgspec import Struct

from drainledger.domain import conversion

#: More digits than any reading has; a number beyond it is refused, never rounded on the way.
_DIGITS: Final = 200
_FAULTS: Final = [InvalidOperation, DivisionByZero, Overflow]
_EXACT: Final = Context(prec=_DIGITS, rounding=ROUND_HALF_EVEN, traps=[*_FAULTS, Inexact])
_ROUND: Final = Context(prec=_DIGITS, rounding=ROUND_HALF_EVEN, traps=_FAULTS)
_ZERO: Final = Decimal(0)
_ONE: Final = Decimal(1)

#: A unit longer than this, or with a number of more than three digits in it, is taken for noise and not parsed.
_LONGEST_UNIT: Final = 32
_LONG_NUMBER: Final = re.compile(r"\d{4}")
#: Units seen are remembered up to this many a kind; the rest are worked out each time.
_REMEMBERED: Final = 1024


class QuantityError(ValueError):
    """A quantity that can't be taken in."""


class UnknownUnit(QuantityError):
    def __init__(self, unit: str) -> None:
        super().__init__(unit)
        self.unit = unit

    def __str__(self) -> str:
        return f"unit {_shown(self.unit)} is neither a spelling in units.toml nor a UCUM code"


class AmbiguousUnit(UnknownUnit):
    """`advice` is a sentence that names the spellings to choose from."""

    def __init__(self, unit: str, advice: str) -> None:
        super().__init__(unit)
        self.advice = advice

    def __str__(self) -> str:
        return f"unit {_shown(self.unit)} can mean more than one: {self.advice}"


class WrongDimension(QuantityError):
    """`wanted` is "volume", "pressure", "flow" or "mass"."""

    def __init__(self, unit: str, wanted: str) -> None:
        super().__init__(unit, wanted)
        self.unit = unit
        self.wanted = wanted

    def __str__(self) -> str:
        return f"unit {_shown(self.unit)} does not measure {self.wanted}"


class ValueOutOfRange(QuantityError):
    def __str__(self) -> str:
        return f"not a finite number of at most {_DIGITS} digits"


class Kind(Struct, frozen=True):
    """What is measured, the UCUM unit in which it is kept, and the step to which it is rounded at intake."""

    name: str
    unit: str
    step: Decimal


VOLUME: Final = Kind("volume", "mL", Decimal("0.1"))
PRESSURE: Final = Kind("pressure", "cm[H2O]", Decimal("0.1"))
FLOW: Final = Kind("flow", "mL/min", Decimal("1"))
MASS: Final = Kind("mass", "kg", Decimal("0.001"))
KINDS: Final = (VOLUME, PRESSURE, FLOW, MASS)


class Units:
    """Turns quantities as sent into those that the ledger keeps.

    `spellings` maps what people and devices write to a UCUM code; a UCUM code itself needs no entry. `ambiguous`
    maps spellings that are refused to the advice given.
    """

    def __init__(self, spellings: Mapping[str, str], ambiguous: Mapping[str, str] | None = None) -> None:
        self._spellings = dict(spellings)
        self._ambiguous = dict(ambiguous or {})
        self._factors: dict[str, dict[str, Factor]] = {kind.name: {kind.unit: _SAME} for kind in KINDS}

    def volume(self, value: Decimal, unit: str) -> Decimal:
        """mL to 0.1."""
        return self._convert(value, unit, VOLUME)

    def pressure(self, value: Decimal, unit: str) -> Decimal:
        """cm[H2O] to 0.1; the sign is kept."""
        return self._convert(value, unit, PRESSURE)

    def flow(self, value: Decimal, unit: str) -> Decimal:
        """mL/min to 1."""
        return self._convert(value, unit, FLOW)

    def mass(self, value: Decimal, unit: str) -> Decimal:
        """kg to 0.001."""
        return self._convert(value, unit, MASS)

    def code(self, unit: str) -> str:
        """The UCUM code that `unit` spells, or `unit` itself where it is no known spelling.

        Raises AmbiguousUnit.
        """
        for written in (unit, " ".join(unit.split())):
            if written in self._ambiguous:
                raise AmbiguousUnit(unit, self._ambiguous[written])
            if written in self._spellings:
                return self._spellings[written]
        return unit.strip()

    def _convert(self, value: Decimal, unit: str, kind: Kind) -> Decimal:
        factor = self._factors[kind.name].get(unit) or self._factor(unit, kind)
        try:
            scaled = _EXACT.multiply(value, factor.multiplier)
        except (Inexact, InvalidOperation, Overflow) as error:
            raise ValueOutOfRange from error
        if factor.divisor is not None:
            if abs(scaled.adjusted()) > _DIGITS:  # its integers would be as long as its exponent says
                raise ValueOutOfRange
            return plain(ratio(scaled, factor.divisor, kind.step))
        return plain(quantize(scaled, kind.step))

    def _factor(self, unit: str, kind: Kind) -> Factor:
        code = self.code(unit)
        if len(code) > _LONGEST_UNIT or _LONG_NUMBER.search(code):
            raise UnknownUnit(unit)
        try:
            factor = Factor.of(conversion.factor(code, kind.unit))
        except conversion.NotUcum as error:
            raise UnknownUnit(unit) from error
        except conversion.NotComparable as error:
            raise WrongDimension(unit, kind.name) from error
        known = self._factors[kind.name]
        if len(known) < _REMEMBERED:
            known[unit] = factor
        return factor


class Factor(Struct, frozen=True):
    """value * multiplier / divisor, where no divisor means one. Exact: most factors are finite decimals, and those
    that aren't (1 kPa is 10000/980.665 cm[H2O]) keep their divisor until the one rounding."""

    multiplier: Decimal
    divisor: int | None = None

    @classmethod
    def of(cls, fraction: Fraction) -> Factor:
        numerator, denominator = fraction.as_integer_ratio()
        try:
            return cls(_EXACT.divide(Decimal(numerator), Decimal(denominator)))
        except Inexact:
            return cls(Decimal(numerator), denominator)


_SAME: Final = Factor(_ONE)


def plain(value: Decimal) -> Decimal:
    """The same number without trailing zeros, exponent or negative zero: 40, not 40.0, not 4E+1."""
    if not value.is_finite():
        raise ValueOutOfRange
    try:
        if value == value.to_integral_value():
            return _EXACT.quantize(value, _ONE) or _ZERO
        return _EXACT.normalize(value)
    except (Inexact, InvalidOperation) as error:
        raise ValueOutOfRange from error


def quantize(value: Decimal, step: Decimal) -> Decimal:
    """`value` to a multiple of `step` (a power of ten), half-even, exactly; trailing zeros of the step are kept."""
    try:
        rounded = _ROUND.quantize(value, step)
    except InvalidOperation as error:
        raise ValueOutOfRange from error
    if rounded.is_nan():
        raise ValueOutOfRange
    return rounded


def ratio(
    numerator: int | Decimal | Fraction, denominator: int | Decimal | Fraction, step: Decimal
) -> Decimal:
    """numerator / denominator to a multiple of `step` (a power of ten), half-even, rounded once from the exact
    quotient; trailing zeros of the step are kept ("40.0").

    Raises ZeroDivisionError, or ValueOutOfRange where a part is not finite.
    """
    try:
        upper, lower = numerator.as_integer_ratio()
        other_upper, other_lower = denominator.as_integer_ratio()
    except (OverflowError, ValueError) as error:
        raise ValueOutOfRange from error
    per_step, exponent = _power_of_ten(step)
    above = upper * other_lower * per_step[0]
    below = lower * other_upper * per_step[1]
    if below < 0:
        above, below = -above, -below
    whole, rest = divmod(above, below)
    if 2 * rest > below or (2 * rest == below and whole % 2):
        whole += 1
    return _ROUND.scaleb(Decimal(whole), exponent)


@lru_cache(maxsize=64)
def _power_of_ten(step: Decimal) -> tuple[tuple[int, int], int]:
    """1/step as (numerator, denominator), and the exponent of step."""
    sign, digits, exponent = step.as_tuple()
    if sign or digits != (1,) or not isinstance(exponent, int):
        raise ValueError(f"a step is a power of ten, not {step}")
    return ((10**-exponent, 1) if exponent < 0 else (1, 10**exponent)), exponent


def _shown(unit: str) -> str:
    return repr(unit if len(unit) <= _LONGEST_UNIT else unit[:_LONGEST_UNIT] + "…")
