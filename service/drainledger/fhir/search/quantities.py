"""Quantities in searches (R4 search.html#quantity), units converted: 0.1 L finds 100 mL.

A number stands for a span as wide as it is exactly told, but behind gt, lt, ge, le, sa and eb, where it is exact
(search.html#number). A value with the comparator `>=` is a span without an upper end: it is found by what it may be.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final, NamedTuple

from drainledger.domain import conversion
from drainledger.fhir.codes import UCUM
from drainledger.fhir.search.refused import SearchRefused
from drainledger.fhir.search.tokens import split_escaped, unescaped

_NUMBER: Final = re.compile(r"[+-]?\d{1,30}(?:\.\d{1,30})?(?:[eE][+-]?\d{1,2})?")


class Span(NamedTuple):
    """From `low` to `high`, both in it; None without end."""

    low: Fraction
    high: Fraction | None


class _Want(NamedTuple):
    low: Fraction
    exact: Fraction
    high: Fraction


def _within(want: _Want, have: Span) -> bool:
    return want.low <= have.low and have.high is not None and have.high < want.high


#: What each prefix asks of what was asked for and what is there.
_PREFIXES: Final[dict[str, Callable[[_Want, Span], bool]]] = {
    "eq": _within,
    "ne": lambda want, have: not _within(want, have),
    "gt": lambda want, have: have.high is None or have.high > want.exact,
    "lt": lambda want, have: have.low < want.exact,
    "ge": lambda want, have: have.high is None or have.high >= want.exact,
    "le": lambda want, have: have.low <= want.exact,
    "sa": lambda want, have: have.low > want.exact,
    "eb": lambda want, have: have.high is not None and have.high < want.exact,
    "ap": lambda want, have: want.low <= have.low and have.high is not None and have.high <= want.high,
}


class Asked(NamedTuple):
    """`system` None: any; `unit` None: any unit, and the number as it is written."""

    prefix: str
    want: _Want
    system: str | None
    unit: str | None

    def holds(self, value: Any) -> bool:
        if not isinstance(value, dict) or "value" not in value:
            return False
        factor = self._factor(value)
        if factor is None:
            return False
        low = Fraction(value["value"]) * factor
        high = None if value.get("comparator") in (">", ">=") else low
        return _PREFIXES[self.prefix](self.want, Span(low, high))

    def _factor(self, value: dict[str, Any]) -> Fraction | None:
        """From the value's unit to the one that was asked for; None where they do not meet."""
        code, system = value.get("code"), value.get("system", "")
        if self.unit is None:
            return Fraction(1)
        if self.unit in (code, value.get("unit")) and self.system in (None, system):
            return Fraction(1)
        if system != UCUM or self.system not in (None, UCUM) or code is None:
            return None
        try:
            return conversion.factor(code, self.unit)
        except ValueError:
            return None


def asked(name: str, text: str) -> Asked:
    """Raises SearchRefused."""
    prefix, rest = (text[:2], text[2:]) if text[:2] in _PREFIXES else ("eq", text)
    number, *unit = split_escaped(rest, "|")
    if not _NUMBER.fullmatch(number) or len(unit) not in (0, 2):
        raise SearchRefused(
            "value",
            name,
            f"{name}: write a number, or number|system|code, such as 100|{UCUM}|mL, behind one of "
            f"{', '.join(_PREFIXES)} or none.",
        )
    system, code = (None, None) if not unit else (unescaped(unit[0]) or None, unescaped(unit[1]) or None)
    return Asked(prefix, _want(prefix, Decimal(number)), system, code)


def _want(prefix: str, number: Decimal) -> _Want:
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    exact = Fraction(number)
    half = abs(exact) / 10 if prefix == "ap" else Fraction(10) ** exponent / 2
    return _Want(exact - half, exact, exact + half)
