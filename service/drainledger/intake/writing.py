"""One commit: the submissions of a group into journal rows, resource versions and answers (DESIGN 9)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from drainledger.domain.naming import targets, ties
from drainledger.domain.problems import Problem
from drainledger.domain.quantities import Units
from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Record,
    Retraction,
)
from drainledger.domain.standing import conflict, drain_named_by, why_waiting
from drainledger.domain.statements import slot_of
from drainledger.domain.validation import Refused
from drainledger.domain.validation import read as read_record
from drainledger.intake.answers import Answer, FindingView, Result, Status, Submission, Written, answer
from drainledger.intake.loading import Loaded, rules_content
from drainledger.intake.patients import audited_patients
from drainledger.intake.versions import write_versions
from drainledger.store.rows import AuditRow, NewHeld, NewRow
from drainledger.store.write import Write


class Taken(Struct):
    """One line of a submission on its way: what it is, and what has become of it so far."""

    raw: bytes
    outcome: Record | Refused
    problems: tuple[Problem, ...] = ()
    status: Status = "accepted"
    held_id: str | None = None


class Commit:
    """Takes a group of submissions of one tenant into one transaction."""

    def __init__(self, write: Write, loaded: Loaded, units: Units) -> None:
        self._write = write
        self._loaded = loaded
        self._units = units

    def run(self, group: Sequence[Submission]) -> list[Answer]:
        """The answers, in the order of the group. Nothing is told before the transaction has committed."""
        self._loaded.catch_up(self._write)
        taken = [[self._parse(submission, raw) for raw in submission.lines] for submission in group]
        self._load([one.outcome for lines in taken for one in lines if not isinstance(one.outcome, Refused)])
        rows = [
            row
            for submission, lines in zip(group, taken, strict=True)
            for row in self._add(submission, lines)
        ]
        book, rendered = self._loaded.book, self._loaded.rendered
        if rows:
            self._write.put_mapping(book.rules.version, rules_content(book.rules))
        seqs = self._write.append(rows)
        self._hold(group, taken)
        self._replay(group, taken)
        changes = book.refold()
        written = write_versions(self._write, rendered, rendered.differences(changes))
        self._loaded.committed(zip(seqs, (row.record for row in rows), strict=True), self._write.seq)
        self._audit(group, taken)
        return [self._answer(lines, written) for lines in taken]

    # In

    def _parse(self, submission: Submission, raw: bytes) -> Taken:
        outcome = read_record(
            raw, source=submission.source, units=self._units, received_at=self._write.received_at
        )
        if isinstance(outcome, Refused):
            return Taken(raw, outcome, outcome.problems + outcome.ignored, "held")
        return Taken(raw, outcome.record, outcome.ignored)

    def _load(self, records: Iterable[Record]) -> None:
        """All that the records may touch, and any record that their ids name already."""
        records = list(records)
        names = {name for record in records for name in ties(record)}
        self._loaded.ensure(self._write, names)
        slots = {slot_of(record.key) for record in records}
        slots |= {slot for record in records for slot in targets(record)}
        unknown = [slot for slot in slots if not self._loaded.has(slot)]
        known = self._write.find(unknown).values()
        for row in known:
            self._loaded.ensure(self._write, row.names)
        self._loaded.recall(self._write, known)
        self._load_changes_of([record for record in records if slot_of(record.key) in unknown])

    def _load_changes_of(self, records: Sequence[Record]) -> None:
        """Corrections and retractions that came before what they speak of."""
        for row in self._loaded.waiting_for(self._write, [slot_of(record.key) for record in records]):
            self._loaded.ensure(self._write, row.names)

    def _add(self, submission: Submission, lines: Sequence[Taken]) -> Iterable[NewRow]:
        book = self._loaded.book
        for one in lines:
            if isinstance(one.outcome, Refused):
                continue
            status = book.add(one.outcome).status
            if status == "accepted":
                yield NewRow(
                    source=submission.source,
                    record=one.outcome,
                    raw=one.raw,
                    rules_version=book.rules.version,
                    principal=submission.principal,
                )
            elif status == "duplicate":
                one.status = "duplicate"
            else:
                one.status = "held"
                one.problems = (conflict(one.outcome), *one.problems)

    def _hold(self, group: Sequence[Submission], taken: Sequence[Sequence[Taken]]) -> None:
        for submission, lines in zip(group, taken, strict=True):
            held = [one for one in lines if one.status == "held"]
            if submission.replays is not None:
                # It is held still, under the id that it has.
                for one in held:
                    one.held_id = submission.replays
                continue
            known = self._write.held_as(submission.source, [one.raw for one in held])
            fresh = []
            for one in held:
                if one.raw in known:
                    one.held_id = known[one.raw].held_id
                else:
                    fresh.append(one)
            ids = self._write.hold([_held(submission, one) for one in fresh])
            for one, held_id in zip(fresh, ids, strict=True):
                one.held_id = held_id

    def _replay(self, group: Sequence[Submission], taken: Sequence[Sequence[Taken]]) -> None:
        """A held record that was let in, as it was or mended, is held no more."""
        for submission, lines in zip(group, taken, strict=True):
            if submission.replays is None:
                continue
            (one,) = lines
            if one.status == "held" or isinstance(one.outcome, Refused):
                continue
            slot = slot_of(one.outcome.key)
            row = self._write.find([slot])[slot]
            self._write.set_held(submission.replays, "replayed", replayed_as=row.seq, by=submission.principal)

    def _audit(self, group: Sequence[Submission], taken: Sequence[Sequence[Taken]]) -> None:
        rows = []
        for submission, lines in zip(group, taken, strict=True):
            drains = {drain for one in lines for drain in self._drains_touched(one.outcome)}
            rows.append(
                AuditRow(
                    at=self._write.received_at,
                    principal=submission.principal,
                    action="write",
                    method=submission.method,
                    route=submission.route,
                    outcome="committed",
                    patients=audited_patients(self._write, self._loaded.rendered.renderer, drains),
                    drains=tuple(sorted(drains)),
                    request_id=submission.request_id,
                )
            )
        self._write.audit(*rows)

    def _drains_touched(self, outcome: Record | Refused) -> Iterator[str]:
        """The drains whose data a record is, or changes."""
        book = self._loaded.book
        match outcome:
            case Collector():
                yield from book.drains_of(outcome.id)
            case Event(drain=None):
                for collector in (outcome.collector, outcome.from_collector):
                    if collector is not None:
                        yield from book.drains_of(collector)
            case Correction() | Retraction():
                if isinstance(outcome, Correction):
                    yield from self._drains_touched(outcome.record)
                for slot in targets(outcome):
                    known = book.at_slot(slot)
                    if known is not None and not isinstance(known, Correction | Retraction):
                        yield from self._drains_touched(known)
            case Drain():
                yield outcome.id
            case Event() | Reading() | Refused():
                if outcome.drain is not None:
                    yield outcome.drain

    # Out

    def _answer(self, lines: Sequence[Taken], written: dict[str, list[Written]]) -> Answer:
        everything = len(lines) == 1
        return answer(tuple(self._result(one, written, everything) for one in lines))

    def _result(self, one: Taken, written: dict[str, list[Written]], everything: bool) -> Result:
        if isinstance(one.outcome, Refused):
            refused = one.outcome
            return Result(
                id=refused.id, record=refused.kind, status="held", problems=one.problems, held_id=one.held_id
            )
        key = one.outcome.key
        if one.status == "held":
            return Result(
                id=key.id, record=key.kind, status="held", problems=one.problems, held_id=one.held_id
            )
        standing = self._loaded.book.status(key)
        status: Status = one.status
        if status == "accepted" and standing in ("waiting", "set-aside"):
            status = standing
        problems = one.problems
        if standing == "waiting":
            problems = (*problems, *why_waiting(self._loaded.book, one.outcome))
        own = self._loaded.rendered.id_of(key)
        shown = [w for id_, found in written.items() if everything or id_ == own for w in found]
        return Result(
            id=key.id,
            record=key.kind,
            status=status,
            findings=self._findings(key),
            resources=tuple(sorted(shown, key=lambda w: w.reference)),
            problems=problems,
        )

    def _findings(self, key: Key) -> tuple[FindingView, ...]:
        found = [finding for entry in self._loaded.book.entries(key) for finding in entry.findings]
        return tuple(FindingView(code=f.code, issue=f.issue, at=f.at, text=f.text) for f in found)


def _held(submission: Submission, one: Taken) -> NewHeld:
    if isinstance(one.outcome, Refused):
        drain, record_id = one.outcome.drain, one.outcome.id
    else:
        drain, record_id = drain_named_by(one.outcome), one.outcome.key.id
    return NewHeld(
        source=submission.source, raw=one.raw, problems=one.problems, drain=drain, record_id=record_id
    )
