"""The set-up situations of the trade, each a small journal in fixtures/situations, judged by the shipped mappings.

What is expected was worked out by hand from DESIGN 4. That these situations occur is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import pytest

from drainledger.domain.book import Book, load
from drainledger.domain.entries import DrainLedger, NodeEntry
from drainledger.domain.records import Reading
from tests.journals.books import (
    FIXTURES,
    findings,
    ledger_of,
    mappings,
    outputs,
    records_in,
    shown,
    totals,
)


@dataclass(frozen=True)
class Expected:
    """A drain's outputs in order, its total at the end, and its findings as "HH:MM code" (UTC)."""

    outputs: tuple[str, ...]
    total: str | None
    findings: tuple[str, ...] = ()


SITUATIONS: dict[str, dict[str, Expected]] = {
    "y-joined": {
        "drn-1": Expected((), None),
        "drn-2": Expected((), None),
        "drn-3": Expected(("60", "40", "10"), "110"),
    },
    "one-wall-source": {
        "drn-1": Expected(("40", "30", "20"), "90"),
        "drn-2": Expected(
            ("30", "14", "16"), "60", ("07:00 suction-not-reached", "08:00 suction-not-reached")
        ),
    },
    "changed-when-full": {
        "drn-1": Expected(
            # 160 to the brim and 0 after: at least, for nobody saw what the full chamber could not take.
            ("450", "450", "450", "490", ">=160", ">=0", "80"),
            ">=2080",
            ("10:00 chamber-nearly-full", "11:00 chamber-full", "11:10 chamber-full"),
        ),
    },
    "tipped": {
        "drn-1": Expected(("200", "20", "10", "10"), "240"),
        "drn-2": Expected(
            ("100", "?", "?", "10"),
            ">=110",
            ("07:30 closing-level-not-charted", "08:00 start-level-not-known"),
        ),
    },
    "bag-in-line": {
        # 100; 20 until the bag; 200, 0, 40 in the bag; 0 + 240 given back - 240 gone at its end; 150 - 120 in the unit.
        "drn-1": Expected(("100", "20", "200", "0", "40", "0", "30"), "390", ("08:05 scale-mismatch",)),
    },
    "sampled": {
        # 120 - 100 + 10; 120 - 120 + 15; of the fall from 120 to 60 no more is known than the sample of 10.
        "drn-1": Expected(("100", "30", "15", ">=10", "10"), ">=165", ("10:00 unexplained-fall",)),
    },
    "suction-lowered": {
        "drn-1": Expected(("40", "20", "2"), "62", ("08:15 pressure-held-after-decrease",)),
    },
    "released-on-gravity": {
        "drn-1": Expected(("30", "6"), "36", ("07:20 vented-without-suction",)),
    },
    "pinched-for-a-leak": {
        "drn-1": Expected(("40", "10"), "50"),
        "drn-2": Expected(("20", "8"), "28"),
    },
    "milked-while-clamped": {
        # The interval to 07:10 began before the clamping, the one to 08:00 ended after it: neither is surprising.
        "drn-1": Expected(
            ("40", "4", "20", "16"), "80", ("07:20 milked-while-clamped", "07:30 output-while-clamped")
        ),
    },
}


def _book(name: str) -> Book:
    return load(records_in(FIXTURES / "situations" / f"{name}.ndjson"), mappings().rules)


def _found(ledger: DrainLedger) -> list[str]:
    return [f"{finding.at:%H:%M} {finding.code}" for node in ledger.nodes for finding in node.findings]


def test_every_situation_has_its_journal_and_the_other_way_round() -> None:
    assert {path.stem for path in (FIXTURES / "situations").glob("*.ndjson")} == set(SITUATIONS)


@pytest.mark.parametrize("name", SITUATIONS)
def test_situation(name: str) -> None:
    book = _book(name)
    assert set(book.drain_ids()) == set(SITUATIONS[name])
    for drain, expected in SITUATIONS[name].items():
        ledger = ledger_of(book, drain)
        assert tuple(outputs(ledger)) == expected.outputs
        assert _total(ledger) == expected.total
        assert tuple(_found(ledger)) == expected.findings


def _total(ledger: DrainLedger) -> str | None:
    last = totals(ledger)[-1:]
    return shown(last[0].total, last[0].bound) if last else None


def _reading(ledger: DrainLedger, clock: str) -> tuple[NodeEntry, Reading]:
    entry = next(node for node in ledger.nodes if f"{node.at:%H:%M}" == clock)
    assert isinstance(entry.record, Reading)
    return entry, entry.record


def test_a_tube_joined_by_a_y_has_no_windows_and_is_not_overdue() -> None:
    book = _book("y-joined")
    for tube in ("drn-1", "drn-2"):
        assert ledger_of(book, tube).windows == ()
        assert findings(ledger_of(book, tube)) == set()
    assert {window.name for window in ledger_of(book, "drn-3").windows} >= {"ward-day", "shift-day"}


def test_a_bag_is_read_on_two_scales_and_the_unit_goes_on_where_it_stood() -> None:
    ledger = ledger_of(_book("bag-in-line"), "drn-1")
    assert [c.collector for c in ledger.connections] == ["col-1", "bag-1", "col-1"]
    assert [_reading(ledger, clock)[1].scale for clock in ("08:00", "08:05", "09:00")] == [
        *("suction", "gravity", "gravity")
    ]


def test_a_pinched_tube_tells_where_the_air_comes_from() -> None:
    """Pinched at the unit the bubbling persists, at the skin it stops: the tests are kept, and time is told since."""
    book = _book("pinched-for-a-leak")
    ledger = ledger_of(book, "drn-1")
    tests = [_reading(ledger, clock)[1].air_leak for clock in ("07:05", "07:06")]
    assert [air.test.bubbling for air in tests if air is not None and air.test is not None] == [
        *("persists", "stops")
    ]
    assert _reading(ledger, "09:06")[0].leak_free_hours == Decimal("2.0")
    assert _reading(ledger_of(book, "drn-2"), "09:06")[0].leak_free_hours is None


def test_output_while_clamped_is_counted_all_the_same() -> None:
    ledger = ledger_of(_book("milked-while-clamped"), "drn-1")
    day = next(window for window in ledger.windows if window.name == "shift-day")
    assert (day.total, day.clamped_minutes) == (Decimal(40), Decimal(35))
