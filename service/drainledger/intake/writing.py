"""One commit: the submissions of a group into journal rows, resource versions and answers (DESIGN 9)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

from msgspec import Struct

from drainledger.domain.naming import targets, ties
from drainledger.domain.problems import Problem
from drainledger.domain.quantities import Units
from drainledger.domain.records import Key, Record
from drainledger.domain.refolds import Refold
from drainledger.domain.standing import conflict, drain_named_by, drains_concerned, why_waiting
from drainledger.domain.statements import Slot, slot_of
from drainledger.domain.validation import Refused
from drainledger.domain.validation import read as read_record
from drainledger.intake.answers import (
    Answer,
    FindingView,
    NothingTaken,
    Result,
    Status,
    Submission,
    Written,
    answer,
)
from drainledger.intake.loading import Loaded, rules_content
from drainledger.intake.patients import audited_patients
from drainledger.intake.taken import Taken
from drainledger.intake.turns import Share
from drainledger.intake.versions import write_versions
from drainledger.store.rows import AuditRow, HeldRow, NewHeld, NewRow
from drainledger.store.write import Write

#: Id -> the latest version of each resource of it, by `Type/id`.
Versions: TypeAlias = dict[str, dict[str, Written]]


class Committed(Struct, frozen=True):
    """What a commit made of a share: its lines, the versions that it gave, and the answer where it was the last; or why
    nothing of it was taken."""

    taken: list[Taken]
    written: Versions
    answer: Answer | None
    nothing: NothingTaken | None = None


class Commit:
    """Takes shares of submissions of one tenant into one transaction."""

    def __init__(self, write: Write, loaded: Loaded, units: Units) -> None:
        self._write = write
        self._loaded = loaded
        self._units = units

    def run(self, shares: Sequence[Share]) -> list[Committed]:
        """What became of each, in their order. Nothing is told before the transaction has committed."""
        self._write.check_clock()
        self._loaded.catch_up(self._write)
        taken = [[self._parse(share.job.submission, *line) for line in share.lines] for share in shares]
        whole = (one for share in shares if share.is_last for one in share.job.taken)
        self._load([*(one for lines in taken for one in lines), *whole])
        # Each is folded by itself: what it changes is told to its caller and to no other.
        return [self._commit(share, lines) for share, lines in zip(shares, taken, strict=True)]

    def _commit(self, share: Share, lines: list[Taken]) -> Committed:
        submission, book, rendered = share.job.submission, self._loaded.book, self._loaded.rendered
        if submission.whole and (problems := self._in_the_way(lines)):
            self._audit(submission, lines, "nothing taken")
            return Committed([], {}, None, NothingTaken(problems))
        rows = list(self._add(submission, lines))
        if rows:
            self._write.put_mapping(book.rules.version, rules_content(book.rules))
        seqs = self._write.append(rows)
        written = write_versions(self._write, rendered, rendered.differences(book.refold()))
        self._loaded.committed(zip(seqs, (row.record for row in rows), strict=True), self._write.seq)
        self._hold(submission, lines)
        self._replay(submission, lines)
        self._audit(submission, lines)
        told = _joined(share.job.written, written)
        answered = self._answer([*share.job.taken, *lines], told) if share.is_last else None
        return Committed(lines, told, answered)

    # In

    def _in_the_way(self, lines: Sequence[Taken]) -> dict[int, tuple[Problem, ...]]:
        """What could not be accepted, by its place. Nothing is added to the book for it."""
        found: dict[int, tuple[Problem, ...]] = {}
        first: dict[Slot, Record] = {}
        for place, one in enumerate(lines):
            if isinstance(one.outcome, Refused):
                found[place] = one.problems
                continue
            slot = slot_of(one.outcome.key)
            if (self._loaded.book.at_slot(slot) or first.setdefault(slot, one.outcome)) != one.outcome:
                found[place] = (conflict(one.outcome), *one.problems)
        return found

    def _parse(self, submission: Submission, raw: bytes, record: bytes) -> Taken:
        outcome = read_record(
            record, source=submission.source, units=self._units, received_at=self._write.clock
        )
        if isinstance(outcome, Refused):
            return Taken(raw, outcome, outcome.problems + outcome.ignored, "held")
        return Taken(raw, outcome.record, outcome.ignored)

    def _load(self, lines: Iterable[Taken]) -> None:
        """All that the records may touch, and any record that their ids name already."""
        records = [one.outcome for one in lines if not isinstance(one.outcome, Refused)]
        names = {name for record in records for name in ties(record)}
        self._loaded.ensure(self._write, names)
        slots = {slot_of(record.key) for record in records}
        slots |= {slot for record in records for slot in targets(record)}
        unknown = {slot for slot in slots if not self._loaded.has(slot)}
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

    def _hold(self, submission: Submission, lines: Sequence[Taken]) -> None:
        """Keeps what can't be accepted, once: what is sent again is told what became of it the first time."""
        held = [one for one in lines if one.status == "held"]
        if submission.replays is not None:
            # It is held still, under the id that it has.
            for one in held:
                one.held_id, one.held_as = submission.replays, "held"
            return
        known = self._write.held_as(submission.source, [one.raw for one in held])
        fresh = [one for one in held if one.raw not in known]
        ids = self._write.hold([_held(submission, one) for one in fresh])
        for one, held_id in zip(fresh, ids, strict=True):
            one.held_id, one.held_as = held_id, "held"
        for one in held:
            if one.raw in known:
                self._held_before(one, known[one.raw])

    def _held_before(self, one: Taken, row: HeldRow) -> None:
        if row.state != "replayed":
            one.held_id, one.held_as = row.held_id, row.state
            return
        assert row.replayed_as is not None, "a replayed record has the seq of what it became"
        became = self._write.row(row.replayed_as)
        assert became is not None
        assert not isinstance(became.record, Refold), "nobody sends a refold"
        one.status, one.problems, one.became = "duplicate", (), became.record
        self._load([Taken(became.raw, became.record)])

    def _replay(self, submission: Submission, lines: Sequence[Taken]) -> None:
        """A held record that was let in, as it was or mended, is held no more."""
        if submission.replays is None:
            return
        (one,) = lines
        if one.status == "held" or isinstance(one.outcome, Refused):
            return
        slot = slot_of(one.outcome.key)
        row = self._write.find([slot])[slot]
        self._write.set_held(submission.replays, "replayed", replayed_as=row.seq, by=submission.principal)

    def _audit(self, submission: Submission, lines: Sequence[Taken], outcome: str = "committed") -> None:
        drains = {drain for one in lines for drain in self._drains_of(one.outcome)}
        self._write.audit(
            AuditRow(
                at=self._write.received_at,
                principal=submission.principal,
                action="write",
                method=submission.method,
                route=submission.route,
                outcome=outcome,
                patients=audited_patients(self._write, self._loaded.rendered.renderer, drains),
                drains=tuple(sorted(drains)),
                request_id=submission.request_id,
            )
        )

    def _drains_of(self, outcome: Record | Refused) -> set[str]:
        """Of a held record, what could be read of it."""
        if isinstance(outcome, Refused):
            return {outcome.drain} if outcome.drain is not None else set()
        return drains_concerned(self._loaded.book, outcome)

    # Out

    def _answer(self, lines: Sequence[Taken], written: Versions) -> Answer:
        everything = len(lines) == 1
        return answer(tuple(self._result(one, written, everything) for one in lines))

    def _result(self, one: Taken, written: Versions, everything: bool) -> Result:
        record = one.became or one.outcome
        if isinstance(record, Refused) or one.status == "held":
            id_, kind = (
                (record.id, record.kind) if isinstance(record, Refused) else (record.key.id, record.key.kind)
            )
            return Result(
                id=id_,
                record=kind,
                status="held",
                problems=one.problems,
                held_id=one.held_id,
                held_as=one.held_as,
            )
        key = record.key
        standing = self._loaded.book.status(key)
        status: Status = one.status
        if status == "accepted" and standing in ("waiting", "set-aside"):
            status = standing
        problems = one.problems
        if standing == "waiting":
            problems = (*problems, *why_waiting(self._loaded.book, record))
        own = written.get(self._loaded.rendered.id_of(key), {})
        shown = [w for found in (written.values() if everything else (own,)) for w in found.values()]
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


def _joined(before: Versions, new: Mapping[str, Sequence[Written]]) -> Versions:
    """The latest versions of each; those before stay as they are, for a commit that fails undoes nothing of them."""
    joined = dict(before)
    for id_, found in new.items():
        joined[id_] = joined.get(id_, {}) | {each.reference: each for each in found}
    return joined


def _held(submission: Submission, one: Taken) -> NewHeld:
    if isinstance(one.outcome, Refused):
        drain, record_id = one.outcome.drain, one.outcome.id
    else:
        drain, record_id = drain_named_by(one.outcome), one.outcome.key.id
    return NewHeld(
        source=submission.source, raw=one.raw, problems=one.problems, drain=drain, record_id=record_id
    )
