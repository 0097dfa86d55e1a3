"""Rounding: once, half-even, exact. The oracle is `fractions` and its own `round`, which is half-even and exact."""

from __future__ import annotations

from decimal import Decimal, getcontext
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drainledger.domain.quantities import ValueOutOfRange, plain, quantize, ratio

numbers = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=6)
places = st.integers(min_value=0, max_value=4)
integers = st.integers(min_value=-(10**12), max_value=10**12)


def step_of(digits: int) -> Decimal:
    return Decimal(1).scaleb(-digits)


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("40.0", "40"),
        ("4E+1", "40"),
        ("-20.00", "-20"),
        ("0.50", "0.5"),
        ("-0.0", "0"),
        ("0E+3", "0"),
        ("1200", "1200"),
    ],
)
def test_plain_has_no_trailing_zeros_no_exponent_and_no_negative_zero(written: str, shown: str) -> None:
    assert str(plain(Decimal(written))) == shown


@given(numbers)
def test_plain_is_the_same_number(value: Decimal) -> None:
    assert plain(value) == value
    assert "E" not in str(plain(value)) or abs(value) < Decimal("1E-5")
    assert str(plain(plain(value))) == str(plain(value))


def test_plain_keeps_digits_beyond_the_default_precision() -> None:
    value = Decimal("123456789012345678901234567890.123456789")
    assert plain(value) == value


@pytest.mark.parametrize(
    ("value", "rounded"),
    [("0.25", "0.2"), ("0.35", "0.4"), ("0.2500001", "0.3"), ("-0.25", "-0.2"), ("7", "7.0")],
)
def test_quantize_is_half_even_and_keeps_the_steps_zeros(value: str, rounded: str) -> None:
    assert str(quantize(Decimal(value), Decimal("0.1"))) == rounded


@given(numbers, places)
def test_quantize_agrees_with_exact_fractions(value: Decimal, digits: int) -> None:
    assert Fraction(quantize(value, step_of(digits))) == round(Fraction(value), digits)


@given(integers, integers.filter(bool), places)
def test_ratio_rounds_the_exact_quotient_once(numerator: int, denominator: int, digits: int) -> None:
    result = ratio(numerator, denominator, step_of(digits))
    assert Fraction(result) == round(Fraction(numerator, denominator), digits)
    assert result.as_tuple().exponent == -digits


@given(numbers, numbers.filter(bool), places)
def test_ratio_takes_decimals_and_fractions_alike(
    numerator: Decimal, denominator: Decimal, digits: int
) -> None:
    by_decimal = ratio(numerator, denominator, step_of(digits))
    assert by_decimal == ratio(Fraction(numerator), Fraction(denominator), step_of(digits))
    assert Fraction(by_decimal) == round(Fraction(numerator) / Fraction(denominator), digits)


def test_ratio_is_not_misled_by_a_first_rounding() -> None:
    """1/20 less a hair: a quotient of 28 digits would round up to the tie, and the tie to the even neighbour."""
    hair_below_the_tie = Fraction(15 * 10**40 - 1, 10**42)
    assert ratio(hair_below_the_tie.numerator, hair_below_the_tie.denominator, Decimal("0.1")) == Decimal(
        "0.1"
    )
    with pytest.raises(ZeroDivisionError):
        ratio(1, 0, Decimal("0.1"))


def test_ratio_keeps_trailing_zeros() -> None:
    assert str(ratio(80, 2, Decimal("0.1"))) == "40.0"
    assert str(ratio(0, 7, Decimal("0.01"))) == "0.00"


@pytest.mark.parametrize("step", ["0.2", "0", "-0.1"])
def test_a_step_is_a_power_of_ten(step: str) -> None:
    with pytest.raises(ValueError, match="power of ten"):
        ratio(1, 3, Decimal(step))


@pytest.mark.parametrize("value", [Decimal("NaN"), Decimal("Infinity"), Decimal("-Infinity")])
def test_what_is_no_finite_number_is_refused(value: Decimal) -> None:
    with pytest.raises(ValueOutOfRange):
        plain(value)
    with pytest.raises(ValueOutOfRange):
        quantize(value, Decimal("0.1"))
    with pytest.raises(ValueOutOfRange):
        ratio(value, 3, Decimal("0.1"))


def test_the_ambient_decimal_context_changes_nothing() -> None:
    precision = getcontext().prec
    getcontext().prec = 3
    try:
        assert plain(Decimal("1234.50")) == Decimal("1234.5")
        assert quantize(Decimal("1234.56"), Decimal("0.1")) == Decimal("1234.6")
        assert ratio(123456, 10, Decimal("0.1")) == Decimal("12345.6")
    finally:
        getcontext().prec = precision
