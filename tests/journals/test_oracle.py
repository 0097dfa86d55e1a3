"""500 generated journals against the independent recomputation: pandas for outputs, totals, rates and windows,
`uncertainties` for deviations (JCGM 100:2008, 4.3.7, 5.1.2, 5.2.2). Decimals compare exactly, deviations to 1e-9."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pandas as pd
import pytest

from drainledger.domain.entries import DrainLedger, Interval, Total
from drainledger.domain.numbers import deviation_exact
from drainledger.domain.windows import rolling
from tests.journals import oracle
from tests.journals.books import book_of, intervals, ledger_of, totals
from tests.journals.oracle_windows import charted
from tests.journals.rules import RULES
from tests.journals.seeded import journal

JOURNALS = 500
_BATCH = 25
_HOURS = (1, 4, 8, 12, 24)

Drained = tuple[str, DrainLedger, pd.DataFrame]


def _drains(seeds: range) -> Iterator[Drained]:
    for seed in seeds:
        raws = journal(seed)
        book = book_of(raws, RULES)
        for drain, frame in oracle.ledgers(raws).items():
            yield f"journal {seed}, {drain}", ledger_of(book, drain), frame


@pytest.fixture(scope="module", params=range(0, JOURNALS, _BATCH), ids=lambda first: f"from-{first}")
def drains(request: pytest.FixtureRequest) -> list[Drained]:
    return list(_drains(range(request.param, request.param + _BATCH)))


def _maybe(value: Any) -> Any:
    return None if pd.isna(value) else value


def _tenths(value: Any) -> Decimal | None:
    return None if pd.isna(value) else Decimal(int(value)) / 10


def test_intervals(drains: list[Drained]) -> None:
    for name, ledger, frame in drains:
        wanted = [
            (row.owner, _maybe(row.start), row.end, _tenths(row.output), row.bound, _tenths(row.irrigant))
            for row in oracle.rows_of(frame)
        ]
        found = [(i.owner.id, i.start, i.end, i.output, i.bound, i.irrigant) for i in intervals(ledger)]
        assert found == wanted, name


def test_totals(drains: list[Drained]) -> None:
    for name, ledger, frame in drains:
        wanted = [
            (row.owner, _tenths(row.total), "at-least" if row.lower_bound else "exact", _tenths(row.net))
            for row in oracle.rows_of(frame)
        ]
        ends = {interval.owner.id for interval in intervals(ledger)}
        found = [(t.owner.id, t.total, t.bound, t.net) for t in totals(ledger) if t.owner.id in ends]
        assert found == wanted, name


def test_rates(drains: list[Drained]) -> None:
    for name, ledger, frame in drains:
        wanted = [(_maybe(row.rate), _maybe(row.rate_per_weight)) for row in oracle.rows_of(frame)]
        assert [(i.rate, i.rate_per_weight) for i in intervals(ledger)] == wanted, name


def test_rolling_windows(drains: list[Drained]) -> None:
    for name, ledger, frame in drains:
        for start, end in _windows(frame):
            window = rolling(ledger.nodes, start, end)
            assert (window.total, window.net) == oracle.rolling(frame, start, end), (name, start, end)


def _windows(frame: pd.DataFrame) -> Iterator[tuple[datetime, datetime]]:
    """Ends at readings, and off them by an odd number of minutes."""
    for end in list(frame["end"])[:: max(1, len(frame) // 6)]:
        for hours in _HOURS:
            for minutes in (0, 17):
                close = end.to_pydatetime() + timedelta(minutes=minutes)
                yield close - timedelta(hours=hours), close


def test_charted_windows(drains: list[Drained]) -> None:
    for name, ledger, frame in drains:
        found = {(w.name, w.start): (w.total, w.net, w.bound) for w in ledger.windows}
        assert found == charted(frame), name


def test_deviations(drains: list[Drained]) -> None:
    for name, ledger, frame in drains:
        by_owner: dict[str, Total] = {total.owner.id: total for total in totals(ledger)}
        for row, interval in zip(oracle.rows_of(frame), intervals(ledger), strict=True):
            _same_deviation(name, interval, row.deviation)
            _same_deviation(name, by_owner[interval.owner.id], row.total_deviation)


def _same_deviation(name: str, entry: Interval | Total, wanted: Any) -> None:
    """The exact deviation to 1e-9, and what the ledger states of it to the last digit.

    A deviation is the root of a sum of squared graduations over 12; all graduations here are multiples of 0.5 mL, so
    that the sum which the package's answer stands for is the nearest multiple of 0.25.
    """
    if pd.isna(wanted):
        assert entry.deviation is None, name
        return
    squares = Decimal(round(48 * float(wanted) ** 2)) / 4
    assert abs(float(deviation_exact(squares)) - float(wanted)) <= 1e-9, name
    assert entry.deviation == deviation_exact(squares).quantize(Decimal("0.001")), name
