"""The exact factor between two UCUM units, worked out once a pair by pint and ucumvert.

Both are slow to import and to parse with, so they load at the first unit that needs them, and `factor` remembers.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Context, Decimal, DecimalException, localcontext
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any, Final, TypeAlias

#: Digits carried while pint multiplies its definitions; what is left of its own rounding lies near the 28th.
_WORKING: Final = Context(prec=60)
#: A ratio of definitions is a fraction of modest integers. The nearest such one is taken for it when it agrees to this
#: share; otherwise (a unit with a measured constant in it) the decimal stands as it came out.
_AGREES: Final = Fraction(1, 10**26)
_LARGEST_DENOMINATOR: Final = 10**12

#: What a unit of volume, pressure, flow or mass may be built from (pint's names). An atom of anything else is refused,
#: so that a slip of the library in, say, a unit of light can't hide in a quotient.
_BUILT_FROM: Final = ("meter", "meter ** 2", "meter ** 3", "gram", "second", "newton", "pascal")
#: Pure numbers, beside the digits themselves.
_NUMBERS: Final = frozenset({"10*", "10^"})
#: What ucumvert 0.3.2 takes for something else (g% is g/dL and not a hundredth of a gram, ' and '' are angles and not
#: times, cubic feet and yards are not hundredths of either) or in another size. None is of use here: all are refused.
_MISREAD: Final = frozenset(
    {"g%", "'", "''", "[cft_i]", "[cyd_i]", "[rd_br]", "[ch_br]", "[lk_br]", "[didot]", "[cicero]"}
)
#: UCUM defines these two columns by the conventional densities (m[H2O].[in_i]/m, m[Hg].[in_i]/m); ucumvert 0.3.2 takes
#: them at 60 F, 0.1 % and 0.3 % off. The names are pint's for the conventional ones.
_CONVENTIONAL: Final = {"[in_i'H2O]": "inch_H2O", "[in_i'Hg]": "inch_Hg"}


class NotUcum(ValueError):
    """Not a UCUM code."""


class NotComparable(ValueError):
    """Two units of different dimensions, or one on an offset or logarithmic scale."""


_Refusal: TypeAlias = type[NotUcum] | type[NotComparable]


def factor(code: str, target: str) -> Fraction:
    """How many `target` one `code` is. Both are UCUM codes.

    Raises NotUcum or NotComparable. Source of the definitions: UCUM 2.2 and pint's registry; each unit accepted is
    checked against another implementation in tests/quantities.
    """
    found = _factor(code, target)
    if isinstance(found, Fraction):
        return found
    raise found(code)


@lru_cache(maxsize=4096)
def _factor(code: str, target: str) -> Fraction | _Refusal:
    """The factor, or the error to raise: a source tends to repeat a wrong unit, and a refusal costs a parse as well."""
    if code == target:
        return Fraction(1)
    with localcontext(_WORKING):
        unit, wanted = _parse(code), _parse(target)
        if isinstance(unit, type):
            return unit
        if isinstance(wanted, type) or unit.dimensionality != wanted.dimensionality:
            return NotComparable
        try:
            return _rational(_in_base_units(unit) / _in_base_units(wanted))
        except DecimalException:
            return NotUcum


def _in_base_units(quantity: Any) -> Fraction:
    return Fraction(quantity.to_root_units().magnitude)


def _rational(quotient: Fraction) -> Fraction:
    nearest = quotient.limit_denominator(_LARGEST_DENOMINATOR)
    return nearest if abs(nearest - quotient) <= _AGREES * quotient else quotient


@lru_cache(maxsize=4096)
def _parse(code: str) -> Any:
    """The code as a pint quantity, or the error to raise."""
    from lark.exceptions import LarkError, VisitError
    from pint.errors import PintError

    try:
        parsed = _parser()(code)
    except VisitError as error:
        return NotComparable if isinstance(error.orig_exc, NotComparable) else NotUcum
    except (LarkError, PintError, DecimalException):
        return NotUcum
    # An annotation alone is UCUM for the number one.
    return NotComparable if isinstance(parsed, str) else parsed


@cache
def _parser() -> Callable[[str], Any]:
    """UCUM code -> pint quantity. The registry's own `from_ucum` is passed by: it answers in binary floats."""
    from ucumvert import PintUcumRegistry, UcumToPintTransformer, get_ucum_parser, parse_ucum

    registry = PintUcumRegistry(non_int_type=Decimal)
    allowed = [registry.get_dimensionality(name) for name in _BUILT_FROM]

    class Transformer(UcumToPintTransformer):  # type: ignore[misc]  # ucumvert has no types
        def simple_unit(self, args: list[Any]) -> Any:
            atom = str(args[-1])
            if not atom.isdigit() and atom not in _NUMBERS:
                self.refuse_foreign(atom)
            conventional = _CONVENTIONAL.get(atom)
            unit = self.ureg.Quantity(self.ureg(conventional) if conventional else super().simple_unit(args))
            # The library's own 1 is an int, which a negative power would turn into a binary float.
            return self.ureg.Quantity(Decimal(unit.magnitude), unit.units)

        def refuse_foreign(self, atom: str) -> None:
            # Without its prefix: of a logarithmic unit, the library multiplies the prefix in.
            quantity = super().simple_unit([atom])
            if atom in _MISREAD or not quantity._is_multiplicative or quantity.dimensionality not in allowed:
                raise NotComparable(atom)

    transformer, grammar = Transformer(ureg=registry), get_ucum_parser()
    return lambda code: transformer.transform(parse_ucum(code, grammar))
