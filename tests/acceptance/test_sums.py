"""It adds up, and it is the same again (DESIGN 5, invariants 1 and 3)."""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import datetime
from decimal import Decimal

import pytest

from tests.acceptance.converted import Resource, coded, converted, lines_of, parsed, shuffled
from tests.journals.books import FIXTURES

LOINC = "http://loinc.org"
LOCAL = "https://drainledger.example/fhir/CodeSystem/chest-drain"
SEEDS = range(60)


def journal(seed: int) -> list[bytes]:
    return lines_of(seed, 60)


def by_drain(resources: list[Resource]) -> dict[str, list[Resource]]:
    """Observations by the drain Device that they are about."""
    found: dict[str, list[Resource]] = defaultdict(list)
    for resource in resources:
        found[resource["focus"][0]["reference"]].append(resource)
    return found


def value(observation: Resource) -> Decimal:
    return Decimal(observation["valueQuantity"]["value"]) if "valueQuantity" in observation else Decimal(0)


def end(observation: Resource) -> datetime:
    return datetime.fromisoformat(observation["effectivePeriod"]["end"])


@pytest.mark.parametrize("seed", SEEDS)
def test_the_sum_of_9129_8_is_the_output_to_every_anchor(seed: int) -> None:
    resources = parsed(converted(journal(seed)))
    outputs = by_drain(coded(resources, LOINC, "9129-8"))
    totals = by_drain(coded(resources, LOCAL, "running-total"))
    assert set(totals) == set(outputs)
    for drain, drains_totals in totals.items():
        # An output of no duration shares its instant with the one before it: the later total holds both.
        at_end = {end(total): total for total in sorted(drains_totals, key=value)}
        for instant, total in at_end.items():
            until = [output for output in outputs[drain] if end(output) <= instant]
            assert sum(map(value, until), Decimal(0)) == value(total)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_sum_of_9129_8_is_the_ledgers_output(seed: int) -> None:
    lines = journal(seed)
    ledger = json.loads(converted(lines, emit="ledger"), parse_float=Decimal)
    resources = parsed(converted(lines))
    wanted = sum(
        (
            Decimal(i["output_ml"])
            for drain in ledger["drains"]
            for i in drain["intervals"]
            if i["output_ml"] is not None
        ),
        Decimal(0),
    )
    outputs = coded(resources, LOINC, "9129-8")
    assert sum(map(value, outputs), Decimal(0)) == wanted
    # Every interval that is not known stands there too, with no value.
    assert len(outputs) == sum(len(drain["intervals"]) for drain in ledger["drains"])


@pytest.mark.parametrize("seed", SEEDS)
def test_any_arrival_order_with_duplicates_gives_the_same_bytes(seed: int) -> None:
    lines = journal(seed)
    first = converted(lines)
    assert converted(shuffled(lines, seed)) == first
    assert converted(shuffled(lines, seed), emit="ledger") == converted(lines, emit="ledger")


def test_the_demo_in_any_order_gives_the_same_bytes() -> None:
    lines = (FIXTURES / "ward.ndjson").read_bytes().splitlines()
    first = converted(lines)
    for seed in range(3):
        assert converted(shuffled(lines, seed)) == first


@pytest.mark.parametrize("seed", SEEDS)
def test_along_time_a_drains_total_never_falls(seed: int) -> None:
    ledger = json.loads(converted(journal(seed), emit="ledger"))
    for drain in ledger["drains"]:
        values = [Decimal(total["total_ml"]) for total in drain["totals"]]
        assert values == sorted(values)


def test_nothing_but_interval_outputs_carries_9129_8() -> None:
    resources = parsed(converted((FIXTURES / "ward.ndjson").read_bytes().splitlines()))
    for observation in coded(resources, LOINC, "9129-8"):
        assert [c["code"] for c in observation["code"]["coding"]] == ["interval-output", "9129-8"]
