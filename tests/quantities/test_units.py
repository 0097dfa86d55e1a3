"""Units of measure against published values, and the errors that a wrong unit gives."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drainledger.domain import conversion
from drainledger.domain.quantities import (
    AmbiguousUnit,
    QuantityError,
    Units,
    UnknownUnit,
    ValueOutOfRange,
    WrongDimension,
)
from drainledger.mapping import load_mappings

UNITS = load_mappings().units

#: NIST SP 811 (2008), appendix B.8, but for the rows that follow from two others. To 1e-5.
PUBLISHED = [
    ("cm[H2O]", "Pa", "98.0665"),
    ("mm[Hg]", "Pa", "133.3224"),
    ("[in_i'H2O]", "Pa", "249.0889"),
    ("mm[Hg]", "cm[H2O]", "1.3595"),  # from the rows above
    ("kPa", "cm[H2O]", "10.19716"),  # from the rows above
    ("[foz_us]", "mL", "29.57353"),
    ("[foz_br]", "mL", "28.41306"),
    ("[lb_av]", "kg", "0.45359237"),
    ("mbar", "Pa", "100"),
]


@pytest.mark.parametrize(("code", "target", "published"), PUBLISHED)
def test_a_factor_is_the_published_one(code: str, target: str, published: str) -> None:
    tolerance = (
        Decimal("1e-5") if published != "1.3595" else Decimal("2e-5")
    )  # the source gives it five digits
    factor = conversion.factor(code, target)
    assert abs(factor / Fraction(published) - 1) < Fraction(tolerance)


@pytest.mark.parametrize(
    ("code", "target", "exact"),
    [
        ("kPa", "cm[H2O]", Fraction(100_000_000, 9_806_650)),
        ("[foz_us]", "mL", Fraction("29.5735295625")),  # 231 cubic inches / 128, an inch being 2.54 cm
        ("L/h", "mL/min", Fraction(50, 3)),
        ("[psi]", "Pa", Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2),
        ("[in_i'H2O]", "Pa", Fraction("249.08891")),
    ],
)
def test_a_factor_is_exact(code: str, target: str, exact: Fraction) -> None:
    """By the definitions that NIST SP 811 gives as exact: inch, pound, standard gravity, conventional water."""
    assert conversion.factor(code, target) == exact


def test_a_factor_too_fine_for_a_simple_fraction_stays_as_it_came_out() -> None:
    """A grain is 64.79891 mg exactly (NIST SP 811, B.8): a thousandth of one, in kg, needs a denominator of 1e14."""
    assert conversion.factor("10*-3.[gr]", "kg") == Fraction("0.00000006479891")


#: What people write, the amount, and what is kept of it: the rows above times a round number.
WRITTEN: list[tuple[Callable[[Decimal, str], Decimal], str, str, str]] = [
    (UNITS.pressure, "mmHg", "100000", "135951"),
    (UNITS.pressure, "kPa", "10000", "101971.6"),
    (UNITS.pressure, "inH2O", "1000", "2540"),
    (UNITS.pressure, "mbar", "-20", "-20.4"),
    (UNITS.volume, "fl oz (US)", "100000", "2957353"),
    (UNITS.volume, "fl oz (imperial)", "100000", "2841306.2"),
    (UNITS.volume, "cc", "40.0", "40"),
    (UNITS.volume, "l", "1.25", "1250"),
    (UNITS.flow, "l/min", "1.5", "1500"),
    (UNITS.flow, "mL/h", "90", "2"),  # 1.5 mL/min, half-even
    (UNITS.mass, "lb", "158.73", "71.999"),
    (UNITS.mass, "g", "3250", "3.25"),
]


@pytest.mark.parametrize(("take_in", "unit", "value", "kept"), WRITTEN)
def test_a_quantity_is_kept_in_one_unit(
    take_in: Callable[[Decimal, str], Decimal], unit: str, value: str, kept: str
) -> None:
    result = take_in(Decimal(value), unit)
    assert isinstance(result, Decimal)
    assert str(result) == kept


@given(
    st.decimals(min_value=-1000, max_value=1000, places=7, allow_nan=False),
    st.sampled_from(["kPa", "Pa", "mmHg", "inH2O", "inHg", "[psi]", "cmH2O"]),
)
def test_a_pressure_is_rounded_once_from_the_exact_product(value: Decimal, unit: str) -> None:
    exact = Fraction(value) * conversion.factor(UNITS.code(unit), "cm[H2O]")
    assert Fraction(UNITS.pressure(value, unit)) == round(exact, 1)


def test_a_tie_that_only_exact_arithmetic_sees() -> None:
    """10.05 cm[H2O] is exactly 985.568325 Pa: a factor cut off at any number of digits lands beside the tie."""
    assert UNITS.pressure(Decimal("985.568325"), "Pa") == Decimal("10")
    assert UNITS.pressure(Decimal("985.568326"), "Pa") == Decimal("10.1")
    assert UNITS.pressure(Decimal("995.374975"), "Pa") == Decimal("10.2")  # 10.15: up, to the even neighbour


def test_forty_is_forty() -> None:
    for written in ("40", "40.0", "40.00", "4E+1", "40.04"):
        assert str(UNITS.volume(Decimal(written), "mL")) == "40"


def test_a_ucum_code_needs_no_spelling() -> None:
    assert Units({}).volume(Decimal(2), "dL") == 200
    assert Units({}).pressure(Decimal(-2), "kPa") == Decimal("-20.4")
    assert Units({}).volume(Decimal(5), "mL{blood}") == 5


def test_space_around_and_within_a_unit_does_not_matter() -> None:
    assert UNITS.pressure(Decimal(-20), "  cm   H2O ") == -20


@pytest.mark.parametrize(
    "unit", ["Cel", "[degF]", "K", "B[SPL]", "daB[SPL]", "%", "g%", "[g]", "mL/mL", "mol", "{drop}"]
)
def test_units_of_anything_else_are_refused(unit: str) -> None:
    for wanted, take_in in (
        ("volume", UNITS.volume),
        ("pressure", UNITS.pressure),
        ("flow", UNITS.flow),
        ("mass", UNITS.mass),
    ):
        with pytest.raises(WrongDimension) as caught:
            take_in(Decimal(1), unit)
        assert (caught.value.unit, caught.value.wanted) == (unit, wanted)


def test_a_unit_of_another_accepted_kind_is_refused() -> None:
    with pytest.raises(WrongDimension, match=r"unit 'mL/h' does not measure volume"):
        UNITS.volume(Decimal(1), "mL/h")
    with pytest.raises(WrongDimension, match=r"unit 'mmHg' does not measure mass"):
        UNITS.mass(Decimal(1), "mmHg")


@pytest.mark.parametrize(
    "unit",
    [
        "",
        " ",
        "millilitre of blood",
        "mL mL",
        "cmHg20",
        "mL(",
        "m3{x",
        "mL\n{",
        "10*999999999.mL",
        "mL" * 40,
        "🩸",
        "0.mL",
    ],
)
def test_what_is_no_unit_is_refused(unit: str) -> None:
    with pytest.raises(UnknownUnit) as caught:
        UNITS.volume(Decimal(1), unit)
    assert caught.value.unit == unit
    assert len(str(caught.value)) < 150


@pytest.mark.parametrize(
    ("unit", "named"),
    [("oz", r"\[oz_av\]"), ("fl oz", r"fl oz \(US\)"), ("FL  OZ", "imperial"), ("st", "kg"), ("cm", "cmH2O")],
)
def test_a_unit_that_can_mean_two_is_refused_with_advice(unit: str, named: str) -> None:
    with pytest.raises(AmbiguousUnit, match=named) as caught:
        UNITS.volume(Decimal(1), unit)
    assert isinstance(caught.value, UnknownUnit)
    assert caught.value.advice


@pytest.mark.parametrize(
    "value", ["NaN", "sNaN", "Infinity", "-Infinity", "1E+99999", "1E+400", "0." + "1" * 300]
)
@pytest.mark.parametrize("unit", ["mL", "[foz_us]"])
def test_a_value_beyond_any_reading_is_refused_and_never_rounded_on_the_way(value: str, unit: str) -> None:
    with pytest.raises(ValueOutOfRange):
        UNITS.volume(Decimal(value), unit)


@pytest.mark.parametrize("value", ["1E+999999", "1E-999999", "NaN", "Infinity"])
def test_an_extreme_exponent_is_refused_where_the_factor_is_a_fraction(value: str) -> None:
    with pytest.raises(ValueOutOfRange):
        UNITS.pressure(Decimal(value), "kPa")


@given(st.text(max_size=40))
def test_any_text_as_a_unit_gives_a_number_or_a_quantity_error(unit: str) -> None:
    try:
        taken_in = UNITS.volume(Decimal(1), unit)
    except QuantityError:
        return
    assert taken_in.is_finite()


pieces = st.sampled_from(
    [
        "mL",
        "L",
        "m",
        "k",
        "[foz_us]",
        "Cel",
        "%",
        "10*",
        "g%",
        "B[SPL]",
        "/",
        ".",
        "-",
        "2",
        "99",
        "(",
        ")",
        "{a}",
        "mol",
    ]
)


@given(st.lists(pieces, max_size=6).map("".join))
def test_any_code_like_text_as_a_unit_gives_a_number_or_a_quantity_error(unit: str) -> None:
    try:
        taken_in = Units({}).volume(Decimal(1), unit)
    except QuantityError:
        return
    assert taken_in.is_finite()


def test_the_value_is_in_no_message() -> None:
    for unit in ("nothing", "Cel", "oz"):
        with pytest.raises(QuantityError) as caught:
            UNITS.volume(Decimal("73219"), unit)
        assert "73219" not in str(caught.value)


def test_units_kept_as_they_come_do_not_load_the_unit_library() -> None:
    program = (
        "import sys\n"
        "from decimal import Decimal\n"
        "from drainledger.mapping import load_mappings\n"
        "units = load_mappings().units\n"
        "units.volume(Decimal(40), 'mL'), units.pressure(Decimal(-20), 'cm[H2O]')\n"
        "units.volume(Decimal(40), 'cc'), units.flow(Decimal(1), 'mL/min'), units.mass(Decimal(1), 'kg')\n"
        "sys.exit('pint' in sys.modules)\n"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
