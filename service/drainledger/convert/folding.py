"""A group of records folded, and what is to be told of those that did not simply go in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from msgspec import Struct

from drainledger.convert.ledger_view import UnusedView, record_view
from drainledger.convert.report import Report
from drainledger.convert.resources import by_target
from drainledger.convert.spool import Entry
from drainledger.domain.book import Book
from drainledger.domain.collectors import Rules
from drainledger.domain.records import Correction, Drain, Key, Record
from drainledger.domain.standing import conflict, drain_named_by, why_waiting


class Folded(Struct, frozen=True):
    """A book, and by their lines the records that it accepted, those that repeat one, those that wait, and those in
    conflict with one."""

    book: Book
    accepted: Mapping[int, Record]
    duplicates: Mapping[int, Record]
    waiting: Mapping[int, Record]
    conflicts: Mapping[int, Record] = {}

    def has_drain(self) -> bool:
        """Whether the record of a drain is among those accepted, whatever has become of it."""
        return any(isinstance(record, Drain) for record in self.accepted.values())

    def corrections(self) -> dict[Key, list[Correction]]:
        """Those that count, by what they correct."""
        return by_target(
            record
            for record in self.accepted.values()
            if isinstance(record, Correction) and self.book.status(record.key) == "used"
        )


def fold(group: list[Entry], rules: Rules, held: Mapping[str, int], report: Report) -> Folded:
    """`held` counts the refused records by the drain that they name. Conflicts and records that wait are reported."""
    book = Book(rules)
    accepted: dict[int, Record] = {}
    duplicates: dict[int, Record] = {}
    conflicts: dict[int, Record] = {}
    for line, record in group:
        status = book.add(record).status
        if status == "accepted":
            accepted[line] = record
        elif status == "duplicate":
            duplicates[line] = record
        else:
            conflicts[line] = record
            book.hold(drain_named_by(record))
            report.told(line, record.key, "conflict", [conflict(record)])
    for drain_id in {drain for record in accepted.values() if (drain := drain_named_by(record)) is not None}:
        for _ in range(held.get(drain_id, 0)):
            book.hold(drain_id)
    book.refold()
    waiting = {line: record for line, record in accepted.items() if book.status(record.key) == "waiting"}
    for line, record in waiting.items():
        report.told(line, record.key, "waiting", why_waiting(book, record))
    return Folded(book, accepted, duplicates, waiting, conflicts)


def without_drain(book: Book, waiting: Iterable[Record]) -> Iterator[UnusedView]:
    """Those records that wait and that no drain of the book shows, by their ids."""
    for record in sorted(waiting, key=lambda record: record.key):
        if not book.entries(record.key) or drain_named_by(record) not in book.drain_ids():
            yield record_view(record, [problem.code for problem in why_waiting(book, record)])
