"""Crowded journals (acts of one minute, acts charted twice, last levels charted late) against the independent
recomputation of `tests.journals.oracle`, and one record at a time against all at once."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any

import pandas as pd
import pytest

from tests.journals import oracle
from tests.journals.books import book_of, intervals, ledger_of, records_of, totals
from tests.journals.crowded import SETUP, journal
from tests.journals.raw import DRAIN
from tests.journals.rules import RULES
from tests.journals.test_properties import a_total_never_falls_along_time, one_at_a_time_gives_the_same_ledger

_MANY = [range(300), pytest.param(range(300, 6000), marks=pytest.mark.deep)]
_SOME = [range(150), pytest.param(range(150, 1500), marks=pytest.mark.deep)]


def _maybe(value: Any) -> Any:
    return None if pd.isna(value) else value


@pytest.mark.parametrize("seeds", _MANY, ids=lambda seeds: f"from-{seeds[0]}")
def test_intervals(seeds: Iterable[int]) -> None:
    for seed in seeds:
        raws = [*SETUP, *journal(seed)]
        ledger = ledger_of(book_of(raws, RULES), DRAIN)
        frame = oracle.ledgers(raws)[DRAIN]
        wanted = [
            (row.owner, _maybe(row.start), row.end, _maybe(row.output), row.bound)
            for row in oracle.rows_of(frame)
        ]
        found = [
            (i.owner.id, i.start, i.end, None if i.output is None else i.output * 10, i.bound)
            for i in intervals(ledger)
        ]
        assert found == wanted, f"journal {seed}"
        bounds = [total.bound for total in totals(ledger)]
        assert ("at-least", "exact") not in list(pairwise(bounds)), f"journal {seed}"


@pytest.mark.parametrize("seeds", _SOME, ids=lambda seeds: f"from-{seeds[0]}")
def test_one_at_a_time(seeds: Iterable[int]) -> None:
    for seed in seeds:
        records = records_of([*SETUP, *journal(seed)])
        one_at_a_time_gives_the_same_ledger(records)
        a_total_never_falls_along_time(records)
