"""A file in order of time, folded as it is read: what can't change any more is let go of (--assume-ordered).

Memory holds about two days of each drain. A record of more than `SLACK` before another that has come is late, and so
is a correction or a retraction of one: it is reported and left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from itertools import islice

from drainledger.convert.intake import Accepted
from drainledger.convert.links import Name, names
from drainledger.convert.report import Report, late_record
from drainledger.convert.resources import Stretch, drain_in_force
from drainledger.convert.spool import Entry
from drainledger.domain.book import Book
from drainledger.domain.changes import Settled
from drainledger.domain.collectors import Rules
from drainledger.domain.problems import Problem
from drainledger.domain.records import Collector, Correction, Drain, Event, Key, Reading, Record, Retraction
from drainledger.domain.standing import conflict, drain_named_by, why_waiting

#: How far the file may be out of order, and how long after a record a change of it is still taken: a shift.
SLACK = timedelta(hours=12)
#: Records between two looks at what can be let go.
_BATCH = 1000


class OrderedFold:
    """One book for the whole file. `held` counts refused records by drain. `corrections`, by what they correct, grow as
    they come; `waiting` are the records that wait at the end."""

    def __init__(self, rules: Rules, held: Mapping[str, int], report: Report) -> None:
        self.book = Book(rules)
        self.corrections: dict[Key, list[Correction]] = {}
        self.waiting: list[Record] = []
        self._held = held
        self._report = report
        self._latest: datetime | None = None
        self._kept: dict[Key, Entry] = {}
        #: Drains and collectors of which something is let go.
        self._gone: set[Name] = set()

    def stretches(self, records: Iterable[Accepted]) -> Iterator[list[Stretch]]:
        """What is let go of, batch by batch, each drain's in the order of its ledger; at last all that is left, with
        every connection."""
        coming = iter(records)
        while batch := list(islice(coming, _BATCH)):
            for one in batch:
                self._add(one)
            self.book.refold()
            self._note_corrections(batch)
            if self._latest is not None:
                yield [self._let_go(settled) for settled in self.book.settle(self._latest - SLACK)]
        for drain_id, count in self._held.items():
            for _ in range(count):
                self.book.hold(drain_id)
        self._report_waiting()
        yield list(self._rest())

    # In

    def _add(self, accepted: Accepted) -> None:
        record, line = accepted.record, accepted.line
        late = self._late_by(record)
        if late is not None:
            self.book.hold(drain_named_by(record))
            self._report.told(line, record.key, "late-record", [late_record(late)])
            return
        status = self.book.add(record).status
        if status == "conflict":
            self.book.hold(drain_named_by(record))
            self._report.told(line, record.key, "conflict", [conflict(record)])
        elif status == "accepted":
            self._kept[record.key] = Entry(line, record)
        if isinstance(record, Event | Reading):
            self._latest = record.at if self._latest is None else max(record.at, self._latest)

    def _late_by(self, record: Record) -> str | None:
        """The pointer to what makes a record late, None where it is not."""
        match record:
            case Event() | Reading():
                return "/at" if self._is_past(record) else None
            case Drain() | Collector():
                return "/id" if _name(record.key) in self._gone else None
            case Correction():
                may = self._may_change(record.corrects) and not self._is_past(record.record)
                return None if may else "/corrects"
            case Retraction():
                return None if any(map(self._may_change, _targets(record))) else "/retracts"

    def _is_past(self, record: Record) -> bool:
        if not isinstance(record, Event | Reading) or self._latest is None:
            return False
        return record.at < self._latest - SLACK

    def _may_change(self, key: Key) -> bool:
        """Whether a record has come, and nothing that rests on it is let go of."""
        entry = self._kept.get(key)
        return entry is not None and not self._is_past(entry.record) and _name(key) not in self._gone

    def _note_corrections(self, batch: Iterable[Accepted]) -> None:
        for one in batch:
            record = one.record
            if (
                isinstance(record, Correction)
                and self._is_first(one)
                and self.book.status(record.key) == "used"
            ):
                self.corrections.setdefault(record.corrects, []).append(record)

    def _is_first(self, accepted: Accepted) -> bool:
        """Whether a record is the one of its id that counts, and not a repetition."""
        entry = self._kept.get(accepted.record.key)
        return entry is not None and entry.line == accepted.line

    # Out

    def _let_go(self, settled: Settled) -> Stretch:
        drain = drain_in_force(self.book, settled.drain)
        assert drain is not None, "a drain that is not known lets nothing go"
        for node in settled.nodes:
            entry = self._kept.pop(node.key, None)
            if node.status == "waiting" and entry is not None:
                findings = [Problem(finding.code, "", finding.text) for finding in node.findings]
                self._report.told(entry.line, node.key, "waiting", findings)
            self._gone.update(names(node.record))
            if node.connection is not None:
                self._gone.add(("collector", node.connection.collector))
        return Stretch(drain, settled.nodes, settled.windows)

    def _rest(self) -> Iterator[Stretch]:
        for drain_id in self.book.drain_ids():
            ledger = self.book.ledger(drain_id)
            if ledger is not None:
                yield Stretch(ledger.drain, ledger.nodes, ledger.windows, ledger.connections)

    def _report_waiting(self) -> None:
        for line, record in self._kept.values():
            if self.book.status(record.key) == "waiting":
                self.waiting.append(record)
                self._report.told(line, record.key, "waiting", why_waiting(self.book, record))


def _name(key: Key) -> Name:
    return (key.kind, key.id)


def _targets(retraction: Retraction) -> Iterator[Key]:
    yield Key("reading", retraction.key.source, retraction.retracts)
    yield Key("event", retraction.key.source, retraction.retracts)
    yield Key("drain", "", retraction.retracts)
    yield Key("collector", "", retraction.retracts)
