"""Deviations and rates: the only quotients of the arithmetic, each rounded once."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache

from drainledger.domain.quantities import quantize, ratio

#: A rate over less than this says little.
SHORTEST_RATED = timedelta(minutes=30)
#: What is charted again within this time may be the same act or amount, charted by a second nurse.
CHARTED_AGAIN = timedelta(minutes=15)
_TENTH = Decimal("0.1")
_HUNDREDTH = Decimal("0.01")
_THOUSANDTH = Decimal("0.001")
_HOUR = Decimal(3600)
_TWELVE = Decimal(12)


def seconds_between(start: datetime, end: datetime) -> Decimal:
    """Elapsed seconds, exactly: of instants, so a day on which clocks change has 23 or 25 hours."""
    span = end - start
    whole = span.days * 86400 + span.seconds
    return Decimal(whole) if not span.microseconds else Decimal(whole) + Decimal(span.microseconds).scaleb(-6)


def deviation_exact(squares: Decimal) -> Decimal:
    """Standard deviation, mL, of levels whose graduations squared add up to `squares` (mL^2), to 28 digits.

    A level read to graduation g is uniform over g, half-width g/2: g/sqrt(12) (JCGM 100:2008, 4.3.7); independent
    ones add in quadrature (5.1.2).
    """
    return (squares / _TWELVE).sqrt()


@lru_cache(maxsize=4096)
def deviation(squares: Decimal) -> Decimal:
    """`deviation_exact`, mL, rounded to 0.001."""
    return quantize(deviation_exact(squares), _THOUSANDTH)


@lru_cache(maxsize=65536)
def hourly(output: Decimal, seconds: Decimal) -> Decimal:
    """mL/h, rounded to 0.1."""
    return ratio(output * _HOUR, seconds, _TENTH)


@lru_cache(maxsize=65536)
def hourly_per_weight(output: Decimal, seconds: Decimal, weight: Decimal) -> Decimal:
    """mL/kg/h, rounded to 0.01."""
    return ratio(output * _HOUR, seconds * weight, _HUNDREDTH)


def hours_between(start: datetime, end: datetime) -> Decimal:
    """Elapsed hours, rounded to 0.1."""
    return ratio(seconds_between(start, end), _HOUR, _TENTH)
