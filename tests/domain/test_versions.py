"""Mapping versions are part of the input: a connection stays judged by the version in force when it was journaled."""

from __future__ import annotations

from decimal import Decimal

from msgspec.structs import replace

from drainledger.domain.book import Book
from drainledger.domain.collectors import Rules
from tests.journals.books import ledger_of, mappings, outputs, records_of
from tests.journals.raw import collector, connected, drain, level, replaced

RULES = mappings().rules


def stricter() -> Rules:
    """A version in which an adult unit has no reading tolerance at all."""
    profile = replace(RULES.profiles["adult-single"], tolerance=Decimal(0))
    return replace(RULES, version="stricter", profiles={**RULES.profiles, "adult-single": profile})


START = (
    drain(),
    collector("col-1"),
    collector("col-2"),
    connected("06:00"),
    level("07:00", 100),
    level("08:00", 99),
)
CHANGED = (*START, replaced("08:30", "col-2", final=99), level("09:00", 50), level("10:00", 49))


def test_a_new_version_judges_the_connections_journaled_under_it() -> None:
    book = Book(RULES)
    records = records_of(CHANGED)
    for record in records[: len(START)]:
        book.add(record)
    book.rules = stricter()
    for record in records[len(START) :]:
        book.add(record)
    book.refold()
    assert outputs(ledger_of(book, "drn-1")) == ["100", "0", "0", "50", "?"]


def test_the_version_that_a_record_was_journaled_under_can_be_told_whatever_the_order() -> None:
    book = Book(stricter())
    records = records_of(CHANGED)
    for number, record in reversed(list(enumerate(records))):
        book.add(record, RULES if number < len(START) else None)
    book.refold()
    assert outputs(ledger_of(book, "drn-1")) == ["100", "0", "0", "50", "?"]


def test_refolding_with_another_version_is_a_new_book() -> None:
    book = Book(stricter())
    for record in records_of(CHANGED):
        book.add(record)
    book.refold()
    assert outputs(ledger_of(book, "drn-1")) == ["100", "?", "0", "50", "?"]
