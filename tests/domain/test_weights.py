"""Weights that are plausible for who is on a kind of collector (DESIGN 4 'Rates').

Worked by hand: 100 mL in the hour from 06:00 to 07:00. At 72 kg that is 100 / 72 = 1.388..., so 1.39 mL/kg/h; a weight
charted in pounds or with a slipped point (4.5 kg for 45 kg) would give a rate ten times too high, so none is given.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from drainledger.domain.entries import DrainLedger
from tests.journals.books import book_of, findings, intervals, ledger_of, mappings
from tests.journals.raw import collector, connected, drain, event, level

RULES = mappings().rules


def weighed(kg: str, profile: str) -> DrainLedger:
    weight = {"value": Decimal(kg), "unit": "kg"}
    raws = [drain(), collector(profile=profile), connected("06:00"), event("weighed", "06:10", weight=weight)]
    return ledger_of(book_of([*raws, level("07:00", 100)], RULES), "drn-1")


@pytest.mark.parametrize("kg", ["9.999", "4.5", "400.001"])
def test_a_weight_that_no_adult_has_gives_no_rate(kg: str) -> None:
    ledger = weighed(kg, "adult-single")
    assert "weight-unlikely" in findings(ledger)
    assert intervals(ledger)[-1].rate_per_weight is None


@pytest.mark.parametrize(("kg", "rate"), [("10", "10"), ("72", "1.39"), ("400", "0.25")])
def test_a_weight_of_an_adult_gives_one(kg: str, rate: str) -> None:
    ledger = weighed(kg, "adult-single")
    assert "weight-unlikely" not in findings(ledger)
    assert intervals(ledger)[-1].rate_per_weight == Decimal(rate)


@pytest.mark.parametrize(
    ("kg", "unlikely"), [("0.299", True), ("0.3", False), ("40", False), ("40.001", True)]
)
def test_an_infant_unit_has_a_range_of_its_own(kg: str, unlikely: bool) -> None:
    assert ("weight-unlikely" in findings(weighed(kg, "infant"))) is unlikely


@pytest.mark.parametrize("profile", sorted(RULES.profiles))
def test_the_drains_own_weight_is_judged_by_its_first_unit(profile: str) -> None:
    low, high = RULES.profiles[profile].weight_kg
    chamber = RULES.profiles[profile].chambers[0].id
    step = Decimal("0.1")
    for kg, unlikely in ((low, False), (high, False), (low - step, True), (high + step, True)):
        own = drain(inserted_at="2026-03-02T05:00:00+00:00", weight={"value": kg, "unit": "kg"})
        raws = [own, collector(profile=profile), connected("06:00", chamber=chamber)]
        assert ("weight-unlikely" in findings(ledger_of(book_of(raws, RULES), "drn-1"))) is unlikely


def test_every_shipped_profile_says_whose_weight_is_plausible() -> None:
    adult = (Decimal(10), Decimal(400))
    assert {id: p.weight_kg for id, p in RULES.profiles.items() if id != "infant"} == dict.fromkeys(
        set(RULES.profiles) - {"infant"}, adult
    )
    assert RULES.profiles["infant"].weight_kg == (Decimal("0.3"), Decimal(40))
