"""Every unit that is accepted converts as in `@lhncbc/ucum-lhc`, the UCUM reference library, to 1e-5 relative.

A UCUM code needs no entry to be accepted, so this goes over all atoms of UCUM with all prefixes, not over the entries
of units.toml alone. What the reference can't convert must be refused here as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from ucumvert.xml_util import get_base_units, get_metric_units, get_non_metric_units, get_prefixes

from drainledger.domain import conversion
from drainledger.domain.quantities import KINDS
from drainledger.mapping import load_mappings, shipped_folder
from drainledger.mapping.files import read
from drainledger.mapping.units import UnitsFile, check
from tests.harness.node import ucum_convert, ucum_valid

TOLERANCE = Fraction(1, 100_000)

VOLUMES = ("mL", "L", "uL", "cm3", "m3", "[foz_us]", "[foz_br]", "[gal_us]", "[ft_i]3", "[in_i]3")
TIMES = ("s", "min", "h", "d", "wk", "mo", "a")
COMPOUNDS = (
    *(f"{volume}/{time}" for volume in VOLUMES for time in TIMES),
    *("N/m2", "kgf/m2", "gf/cm2", "dyn/cm2", "[lbf_av]/[in_i]2", "N/mm2", "10*3.Pa", "10.mm[Hg]", "100.Pa"),
    *(
        "dm3",
        "mm3",
        "[ft_i]3",
        "[yd_i]3",
        "cm2.m",
        "10*3.mL",
        "5.mL",
        "mL{blood}",
        "10*-3.L",
        "g{wet}",
        "1000.g",
    ),
)


def _atoms() -> list[str]:
    metric = [*get_base_units(), *get_metric_units()]
    return [
        *metric,
        *get_non_metric_units(),
        *(prefix + atom for prefix in get_prefixes() for atom in metric),
    ]


def _accepted(codes: list[str], targets: Sequence[str]) -> list[tuple[str, str, Fraction]]:
    """(code, target, factor) of each code that converts to one of the targets."""
    found = []
    for code in codes:
        for target in targets:
            try:
                found.append((code, target, conversion.factor(code, target)))
            except (conversion.NotUcum, conversion.NotComparable):
                continue
    return found


def _differing(accepted: list[tuple[str, str, Fraction]]) -> list[str]:
    reference = ucum_convert([(Decimal(1), code, target) for code, target, _ in accepted])
    return [
        f"{code} to {target}: {float(factor)} here, {value} there"
        for (code, target, factor), value in zip(accepted, reference, strict=True)
        if value is None or abs(factor / Fraction(value) - 1) > TOLERANCE
    ]


def test_every_accepted_unit_converts_as_in_the_reference() -> None:
    accepted = _accepted([*_atoms(), *COMPOUNDS], [kind.unit for kind in KINDS])
    assert _differing(accepted) == []
    codes = {code for code, _, _ in accepted}
    assert codes.issuperset(
        {"mL", "cm[H2O]", "mm[Hg]", "[in_i'H2O]", "[in_i'Hg]", "[foz_us]", "[foz_br]", "kg"}
    )
    assert set(COMPOUNDS) - codes == set(), "refused, so not compared"
    assert len(accepted) > 400


def test_what_units_are_built_from_converts_as_in_the_reference() -> None:
    """Lengths, areas, times and forces, from which a volume, a flow or a pressure can be written."""
    accepted = _accepted(_atoms(), ["m", "m2", "s", "N"])
    assert _differing(accepted) == []
    assert {"[in_i]", "[lbf_av]", "min", "h", "dyn", "[ft_i]"} <= {code for code, _, _ in accepted}


def test_each_unit_of_the_mappings_converts_as_in_the_reference() -> None:
    """That the codes measure what the file says is the loader's own check (`check_codes`)."""
    tables = read(shipped_folder() / "units.toml", UnitsFile, check).units
    kept_in = {kind.name: kind.unit for kind in KINDS}
    accepted = [
        (table.code, kept_in[table.measures], conversion.factor(table.code, kept_in[table.measures]))
        for table in tables
    ]
    assert _differing(accepted) == []


def test_the_comparison_can_fail() -> None:
    """An inch of water at 60 F, as the unit library has it, is told from UCUM's."""
    assert _differing([("[in_i'H2O]", "Pa", Fraction("248.840"))]) != []
    assert _differing([("g%", "kg", Fraction(1, 100_000))]) != []


def test_every_unit_that_is_written_is_valid_ucum() -> None:
    written = {code.unit for code in load_mappings().codes.values() if code.unit is not None}
    validity = ucum_valid([*written, "cmH2O"])
    assert validity.pop("cmH2O") is False
    assert "mL/(kg.h)" in written
    assert validity == dict.fromkeys(written, True)
