"""Where a record stands: the drains that it concerns, and why it waits or is in conflict, in the words of an answer."""

from __future__ import annotations

from drainledger.domain.book import Book
from drainledger.domain.naming import targets
from drainledger.domain.problems import Problem
from drainledger.domain.records import Collector, Correction, Drain, Event, Reading, Record, Retraction


def conflict(record: Record) -> Problem:
    """The same id, other content: the first accepted stands (DESIGN 3 'Ids')."""
    return Problem(
        "conflict",
        "/id",
        f"Another {record.key.kind if record.key.kind in ('drain', 'collector') else 'record'} with this id and other "
        "content came before, and stands. To change it send a correction; if this is another record, give it an id of "
        "its own.",
    )


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


def drains_concerned(book: Book, record: Record) -> set[str]:
    """The drains whose data a record is, or changes: by name, by a unit, or by what it corrects or retracts."""
    match record:
        case Drain():
            return {record.id}
        case Collector():
            return set(book.drains_of(record.id))
        case Reading(drain=drain) | Event(drain=str(drain)):
            return {drain}
        case Event():
            units = (unit for unit in (record.collector, record.from_collector) if unit is not None)
            return {drain for unit in units for drain in book.drains_of(unit)}
    found = drains_concerned(book, record.record) if isinstance(record, Correction) else set()
    for slot in targets(record):
        known = book.at_slot(slot)
        if known is not None and not isinstance(known, Correction | Retraction):
            found |= drains_concerned(book, known)
    return found


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
