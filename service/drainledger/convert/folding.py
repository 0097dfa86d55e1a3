"""A group of records folded, and what is to be told of those that did not simply go in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from msgspec import Struct

from drainledger.convert.ledger_view import UnusedView, record_view
from drainledger.convert.report import Report, conflict
from drainledger.convert.resources import by_target
from drainledger.convert.spool import Entry
from drainledger.domain.book import Book
from drainledger.domain.collectors import Rules
from drainledger.domain.problems import Problem
from drainledger.domain.records import Collector, Correction, Drain, Event, Key, Reading, Record, Retraction


class Folded(Struct, frozen=True):
    """A book, and by their lines the records that it accepted, those that repeat one, and those that wait."""

    book: Book
    accepted: Mapping[int, Record]
    duplicates: Mapping[int, Record]
    waiting: Mapping[int, Record]

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
    for line, record in group:
        status = book.add(record).status
        if status == "accepted":
            accepted[line] = record
        elif status == "duplicate":
            duplicates[line] = record
        else:
            book.hold(drain_named_by(record))
            report.told(line, record.key, "conflict", [conflict(record)])
    for drain_id in {drain for record in accepted.values() if (drain := drain_named_by(record)) is not None}:
        for _ in range(held.get(drain_id, 0)):
            book.hold(drain_id)
    book.refold()
    waiting = {line: record for line, record in accepted.items() if book.status(record.key) == "waiting"}
    for line, record in waiting.items():
        report.told(line, record.key, "waiting", why_waiting(book, record))
    return Folded(book, accepted, duplicates, waiting)


def drain_named_by(record: Record) -> str | None:
    match record:
        case Drain():
            return record.id
        case Event() | Reading():
            return record.drain
        case Correction():
            return drain_named_by(record.record)
        case Collector() | Retraction():
            return None


def why_waiting(book: Book, record: Record) -> list[Problem]:
    """What a record waits for: its findings where its drain is known, else the first name that leads nowhere."""
    findings = [finding for entry in book.entries(record.key) for finding in entry.findings]
    if findings:
        return [Problem(finding.code, "", finding.text) for finding in findings]
    match record:
        case Collector():
            return [_WAITS["profile-unknown"]]
        case Correction():
            return [_WAITS["nothing-to-correct"]]
        case Retraction():
            return [_WAITS["nothing-to-retract"]]
        case Event(drain=None):
            return [_WAITS["collector-not-connected"]]
    return [_WAITS["drain-unknown"]]


def without_drain(book: Book, waiting: Iterable[Record]) -> Iterator[UnusedView]:
    """Those records that wait and that no drain of the book shows, by their ids."""
    for record in sorted(waiting, key=lambda record: record.key):
        if not book.entries(record.key) or drain_named_by(record) not in book.drain_ids():
            yield record_view(record, [problem.code for problem in why_waiting(book, record)])


_WAITS = {
    problem.code: problem
    for problem in (
        Problem(
            "drain-unknown",
            "/drain",
            "Nothing is known yet of the drain that this record names. It is used as soon as a record of that drain "
            "comes; if the drain is another one, correct the record.",
        ),
        Problem(
            "collector-not-connected",
            "/collector",
            "No drain is charted as connected to the unit that this record names. It is used as soon as one is.",
        ),
        Problem(
            "profile-unknown",
            "/profile",
            "The mappings have no collector profile of this name. Add a file for it under collectors/, or correct the "
            "record.",
        ),
        Problem(
            "nothing-to-correct",
            "/corrects",
            "No record with this id has come from this source. The correction is used as soon as one comes.",
        ),
        Problem(
            "nothing-to-retract",
            "/retracts",
            "No record with this id has come from this source. The retraction is used as soon as one comes.",
        ),
    )
}
