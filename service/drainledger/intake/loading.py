"""A tenant's book, loaded from the journal as far as it is needed (DESIGN 9).

What a record touches is loaded with it: its drains, the collectors that tie them to others, and whatever corrects or
retracts a record of theirs. What was loaded is kept up with what other processes commit.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from itertools import islice

import msgspec

from drainledger.domain.book import Book
from drainledger.domain.changes import Changes
from drainledger.domain.collectors import Rules
from drainledger.domain.naming import Tie, slot_tie, targets
from drainledger.domain.records import Correction, Retraction
from drainledger.domain.refolds import Journaled, Refold, names_of
from drainledger.domain.statements import Slot, slot_of
from drainledger.fhir import Renderer
from drainledger.intake.difference import Difference, Rendered
from drainledger.intake.judgements import Judgements
from drainledger.store.read import Read
from drainledger.store.rows import JournalRow

#: Names asked of the store at once.
_AT_ONCE = 500

#: Some rows of the journal after a seq, as Read.rows.
RowsAfter = Callable[[int, int], list[JournalRow]]


class Loaded:
    """The part of a tenant's journal that is in memory. Not thread-safe: it has one owner.

    What is told to be in memory is so only once all of it is: after a fault of the store, the same call made again
    loads what the first left out.
    """

    def __init__(self, rules: Rules, renderer: Renderer) -> None:
        self.book = Book(rules)
        self.rendered = Rendered(renderer, self.book)
        self.last_seq = 0
        self._names: set[Tie] = set()
        self._seqs: set[int] = set()
        #: What the corrections and retractions in memory speak of, come or not.
        self._targets: set[Slot] = set()
        self._rules: dict[str, Rules] = {rules.version: rules}
        self.judgements = Judgements()

    @property
    def size(self) -> int:
        """How many records are in memory."""
        return len(self._seqs)

    def catch_up(self, read: Read, rows_after: RowsAfter | None = None) -> None:
        """Takes in what others have committed of what is loaded. `rows_after` reads the journal, by default `read`."""
        self._catch_up(read, rows_after or read.rows)
        self.settle()

    def _catch_up(self, read: Read, rows_after: RowsAfter) -> None:
        last = read.last_seq()
        if not self._names and not self._seqs:
            self.last_seq = last  # nothing is loaded, and so nothing of it is behind
        while self.last_seq < last:
            rows = rows_after(self.last_seq, _AT_ONCE)
            if not rows:
                break
            self._take(read, [row for row in rows if self._concerns(row.record)])
            self.last_seq = rows[-1].seq
        self.last_seq = last

    def ensure(self, read: Read, names: Iterable[Tie]) -> None:
        """Loads all that these drains and collectors are tied to."""
        self._ensure(read, names)
        self.settle()

    def _ensure(self, read: Read, names: Iterable[Tie]) -> None:
        if self.last_seq == 0:
            self.last_seq = read.last_seq()
        self._load(read, {name for name in names if name[0] != "slot"} - self._names)

    def gather(self, read: Read, names: Iterable[Tie], rows_after: RowsAfter | None = None) -> None:
        """Catches up and loads as `catch_up` and `ensure` do, but folds nothing: no connection waits for a fold. Ask
        the book nothing before `settle`."""
        self._catch_up(read, rows_after or read.rows)
        self._ensure(read, names)

    def fold_anew(self, read: Read, names: Iterable[Tie]) -> list[Difference]:
        """Loads all that these are tied to; every resource that it gives, as if none had been written."""
        self._ensure(read, names)
        return self.rendered.differences(self.book.refold())

    def settle(self) -> None:
        """Folds what was gathered. What the journal holds has been written: it makes no difference."""
        self.rendered.take_as_written(self.book.refold())

    def waiting_for(self, read: Read, slots: Collection[Slot]) -> list[JournalRow]:
        """Loads the corrections and retractions that came before the records of these slots."""
        rows = _by_names(read, {slot_tie(slot) for slot in slots})
        self._add(read, rows)
        return rows

    def recall(self, read: Read, rows: Collection[JournalRow]) -> None:
        """Loads these rows themselves: a retraction of what is not known yet is tied to nothing that brings it."""
        self._add(read, rows)
        self.settle()

    @property
    def names(self) -> frozenset[Tie]:
        """The drains and collectors that are loaded: with each, all that is tied to it."""
        return frozenset(self._names)

    def has(self, slot: Slot) -> bool:
        """Whether the record of an id is in memory."""
        return self.book.at_slot(slot) is not None

    def committed(self, rows: Iterable[tuple[int, Journaled]], last_seq: int) -> None:
        """What was added to the book has been appended as these rows, judged by the version in force."""
        for seq, record in rows:
            self._seqs.add(seq)
            self._note_targets(record)
            self.judgements.take(seq, record, self.book.rules.version)
        self.last_seq = last_seq

    def _concerns(self, record: Journaled) -> bool:
        if names_of(record) & self._names:
            return True
        if isinstance(record, Refold):
            return False
        return slot_of(record.key) in self._targets or any(self.has(slot) for slot in targets(record))

    def _note_targets(self, record: Journaled) -> None:
        if isinstance(record, Correction | Retraction):
            self._targets.update(targets(record))

    def replay(self, rows: Collection[JournalRow]) -> Changes:
        """Adds these rows, which `rows_about` gave, and no others, and folds; what they change."""
        self._put(rows)
        return self.book.refold()

    def rows_about(self, read: Read, names: Iterable[Tie]) -> list[JournalRow]:
        """Every row that these names are tied to, in the order of the journal; none is loaded, but `replay` can do so
        when the connection is given back."""
        found: dict[int, JournalRow] = {}
        for _, rows in self._tied(read, set(names)):
            found |= {row.seq: row for row in rows}
        self._learn(read, found.values())
        return [found[seq] for seq in sorted(found)]

    def _load(self, read: Read, wanted: set[Tie]) -> None:
        loaded: set[Tie] = set()
        for names, rows in self._tied(read, wanted):
            self._add(read, rows)
            loaded |= names
        self._names |= loaded

    def _tied(self, read: Read, wanted: set[Tie]) -> Iterator[tuple[set[Tie], list[JournalRow]]]:
        """Rows that name what is wanted, and then what they name, until nothing is left; with what corrects or retracts
        them and what they correct or retract. Each time the names that were asked for, and the rows."""
        seen = set(self._names)
        while wanted:
            seen |= wanted
            rows = _with_changes(read, _by_names(read, wanted))
            yield wanted, rows
            wanted = {name for row in rows for name in row.names if name[0] != "slot"} - seen

    def _take(self, read: Read, rows: list[JournalRow]) -> None:
        # What corrects or retracts them may have come before them, when it concerned nothing that was loaded.
        rows = _with_changes(read, rows)
        self._add(read, rows)
        self._load(read, {name for row in rows for name in row.names if name[0] != "slot"} - self._names)

    def _add(self, read: Read, rows: Collection[JournalRow]) -> None:
        fresh = [row for row in rows if row.seq not in self._seqs]
        self._learn(read, fresh)
        self._put(fresh)

    def _put(self, rows: Iterable[JournalRow]) -> None:
        for row in sorted(rows, key=lambda row: row.seq):
            if row.seq not in self._seqs:
                if isinstance(row.record, Refold):
                    for key, version in self.judgements.refold(row):
                        self.book.judge(key, self._rules[version])
                else:
                    version = self.judgements.take(row.seq, row.record, row.rules_version)
                    self.book.add(row.record, self._rules[version])
                self._note_targets(row.record)
                self._seqs.add(row.seq)

    def _learn(self, read: Read, rows: Iterable[JournalRow]) -> None:
        """The versions of the rules by which these rows are judged."""
        for version in {row.rules_version for row in rows} - self._rules.keys():
            content = read.mapping(version)
            assert content is not None, "a row's mapping version is stored with it"
            self._rules[version] = msgspec.json.decode(content, type=Rules)


def rules_content(rules: Rules) -> bytes:
    """A version of the rules as it is stored."""
    return msgspec.json.encode(rules)


def _with_changes(read: Read, rows: Collection[JournalRow]) -> list[JournalRow]:
    """These, what corrects or retracts them, and what they correct or retract: that may be of another drain, from which
    a correction takes it away."""
    found = {row.seq: row for row in rows}
    fresh = list(rows)
    while fresh:
        slots = {slot for row in fresh if not isinstance(row.record, Refold) for slot in targets(row.record)}
        more = _by_names(read, {slot_tie(row.slot) for row in fresh}) + list(read.find(slots).values())
        fresh = [row for row in {row.seq: row for row in more}.values() if row.seq not in found]
        found |= {row.seq: row for row in fresh}
    return list(found.values())


def _by_names(read: Read, names: Collection[Tie]) -> list[JournalRow]:
    found: list[JournalRow] = []
    coming = iter(sorted(names))
    while some := list(islice(coming, _AT_ONCE)):
        found += read.rows_naming(some)
    return found
