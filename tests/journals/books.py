"""Raw records and NDJSON files into records and a folded book, the way that any surface takes them in."""

from __future__ import annotations

import json
from collections.abc import Iterable
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from drainledger.domain.book import Book, load
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import DrainLedger, Interval, Total
from drainledger.domain.records import Record
from drainledger.domain.validation import Parsed, read
from drainledger.mapping import Mappings, load_mappings
from tests.journals.raw import Raw

FIXTURES = Path(__file__).parents[2] / "fixtures"
SOURCE = "ward"


@cache
def mappings() -> Mappings:
    """The shipped mappings."""
    return load_mappings()


def line(raw: Raw) -> bytes:
    """One NDJSON line, with decimals as they stand."""
    return json.dumps(raw, default=_number, separators=(",", ":")).encode()


def _number(value: Any) -> int | float:
    if not isinstance(value, Decimal):
        raise TypeError(type(value).__name__)
    return int(value) if value == value.to_integral_value() else float(value)


def record_of(text: bytes) -> Record:
    """The record of one line; fails where it is held."""
    outcome = read(text, source=SOURCE, units=mappings().units, received_at=None)
    assert isinstance(outcome, Parsed), outcome
    return outcome.record


def records_of(raws: Iterable[Raw]) -> list[Record]:
    return [record_of(line(raw)) for raw in raws]


def records_in(path: Path) -> list[Record]:
    """The records of an NDJSON file, in its order."""
    return [record_of(text) for text in path.read_bytes().splitlines()]


def book_of(raws: Iterable[Raw], rules: Rules) -> Book:
    return load(records_of(raws), rules)


def ledger_of(book: Book, drain: str) -> DrainLedger:
    ledger = book.ledger(drain)
    assert ledger is not None, f"no ledger of {drain}"
    return ledger


def intervals(ledger: DrainLedger) -> list[Interval]:
    return [node.interval for node in ledger.nodes if node.interval is not None]


def totals(ledger: DrainLedger) -> list[Total]:
    return [node.total for node in ledger.nodes if node.total is not None]


def shown(value: Decimal | None, bound: str) -> str:
    """An output or total as DESIGN 4's table writes it: "40", "?" for unknown, ">=20" for a lower bound."""
    if value is None:
        return "?"
    return f">={value:f}" if bound == "at-least" else f"{value:f}"


def outputs(ledger: DrainLedger) -> list[str]:
    return [shown(interval.output, interval.bound) for interval in intervals(ledger)]


def total(ledger: DrainLedger) -> str:
    last = totals(ledger)[-1]
    return shown(last.total, last.bound)


def findings(ledger: DrainLedger) -> set[str]:
    return {finding.code for node in ledger.nodes for finding in node.findings} | {
        finding.code for finding in ledger.findings
    }
