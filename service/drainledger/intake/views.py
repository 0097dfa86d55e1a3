"""The read side: ledgers as they are or were, what changed and because of what, and where anything comes from.

Everything is reckoned from the journal by the same fold that the intake uses; nothing here writes.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from drainledger.domain.changes import Changes, NodeChange, WindowChange
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import DrainLedger, NodeEntry
from drainledger.domain.naming import Tie
from drainledger.domain.records import Correction, Drain, Key
from drainledger.domain.statements import Slot, slot_of
from drainledger.fhir import Renderer
from drainledger.intake.folds import Folds
from drainledger.intake.loading import Loaded, RowsAfter
from drainledger.intake.patients import patients_of
from drainledger.intake.shelf import Shelf
from drainledger.store.codec import split_id
from drainledger.store.read import Read
from drainledger.store.rows import HeldRow, JournalRow, VersionRow
from drainledger.store.store import Store

#: Changes in one answer: each is a fold of what a record touches.
MOST_CHANGES: Final = 500

_Found: TypeAlias = tuple[list[JournalRow], list[VersionRow]]


class Change(Struct, frozen=True):
    """What one journaled record changed in a drain's ledger."""

    cause: JournalRow
    nodes: tuple[NodeChange, ...]
    windows: tuple[WindowChange, ...]


class ChangesPage(Struct, frozen=True):
    """Some changes of a drain. `time_zone` is the drain's, None where no record of the drain itself ever came; `after`
    is the seq to go on after, None where there is no more."""

    changes: list[Change]
    time_zone: str | None
    after: int | None


class Trace(Struct, frozen=True):
    """What was received, what it became, what was emitted: `rows` are journal rows, the one asked for first and then
    those that it rests on; `entries` its places in ledgers; `versions` the history of its resources, oldest first."""

    rows: tuple[JournalRow, ...]
    entries: tuple[NodeEntry, ...]
    versions: tuple[VersionRow, ...]
    held: HeldRow | None = None


class Views:
    """Thread-safe. `renderer` makes the renderer of a tenant, which knows the ids of its resources."""

    def __init__(self, store: Store, rules: Rules, *, renderer: Callable[[str], Renderer]) -> None:
        self._store = store
        self._rules = rules
        self.renderer = renderer
        self._shelf = Shelf(lambda tenant: Loaded(rules, renderer(tenant)))
        self._folds = Folds()

    def ledger(
        self, tenant: str, drain: str, *, known_at: datetime | None = None
    ) -> tuple[DrainLedger, str] | None:
        """A drain's ledger, as it is or as it was known at an instant, and a text that changes when it does; None where
        there is no such drain. Raises TooManyReads."""
        return self._current(tenant, drain) if known_at is None else self._as_known(tenant, drain, known_at)

    def drains(self, tenant: str, after: str, limit: int) -> tuple[list[DrainLedger], str | None]:
        """Ledgers of at most `limit` drains by id, from the one after `after` on, each as of when it was looked at, and
        the id to go on after, None at the end. Those that were retracted are left out. Raises TooManyReads."""
        with self._store.read(tenant) as read:
            ids = read.drains(after, limit + 1)
        rows = RowsOnce()
        found = [self._current(tenant, drain, rows) for drain in ids[:limit]]
        return [each[0] for each in found if each is not None], ids[limit - 1] if len(ids) > limit else None

    def changes_since(
        self, tenant: str, drain: str, since: datetime, *, after: int = 0, limit: int = MOST_CHANGES
    ) -> ChangesPage | None:
        """What changed in a drain's ledger after an instant of receipt, record by record as they were journaled, from
        the seq after `after` on; None where nothing was ever said of the drain. Raises TooManyReads."""
        with self._folds.long(tenant):
            loaded, rows = self._rows_about(tenant, drain)
            if not rows:
                return None
            before = [row for row in rows if row.received_at <= since or row.seq <= after]
            loaded.replay(before)
            changes: list[Change] = []
            for row in rows[len(before) :]:
                if len(changes) == limit:
                    return ChangesPage(changes, _zone_of(drain, rows), changes[-1].cause.seq)
                change = _change_of(drain, row, loaded.replay([row]))
                if change is not None:
                    changes.append(change)
            return ChangesPage(changes, _zone_of(drain, rows), None)

    def trace(self, tenant: str, ref: str) -> Trace | None:
        """`ref`: a resource (`Observation/…`), a record (`source/id`, `drain/id`, `collector/id`) or a held id. Raises
        TooManyReads."""
        with self._store.read(tenant) as read:
            held = read.held_one(ref)
            if held is not None:
                rows = [row] if held.replayed_as is not None and (row := read.row(held.replayed_as)) else []
                return Trace(tuple(rows), (), (), held)
            found = self._resource(read, ref) or self._record(read, ref)
        return None if found is None else self._with_sources(tenant, *found)

    def patients(self, read: Read, drains: Collection[str]) -> dict[str, str]:
        """Drain -> the id of its Patient, in the state that `read` sees; drains without a record are left out."""
        return patients_of(read, self.renderer(read.tenant), drains)

    # Loading

    @contextmanager
    def _book(self, tenant: str, name: Tie) -> Iterator[Loaded]:
        """What is loaded already is read at once; the first read of a long journal takes its turn."""
        if self._shelf.is_ready(tenant, name):
            with self._shelf.book(tenant, name) as loaded:
                yield loaded
            return
        with self._folds.let_in(tenant), self._shelf.book(tenant, name) as loaded:
            if loaded.size:
                yield loaded
            else:
                with self._folds.turn(tenant):
                    yield loaded

    def _current(
        self, tenant: str, drain: str, rows: RowsOnce | None = None
    ) -> tuple[DrainLedger, str] | None:
        name = ("drain", drain)
        with self._book(tenant, name) as loaded:
            with self._store.read(tenant) as read:
                loaded.gather(read, [name], rows.of(read) if rows is not None else None)
                seq, held = read.last_seq(), read.held_count(drain)
            loaded.settle()
            ledger = loaded.book.ledger(drain)
        return None if ledger is None else (replace(ledger, held=held), f"{seq}-{held}")

    def _as_known(self, tenant: str, drain: str, known_at: datetime) -> tuple[DrainLedger, str] | None:
        with self._folds.long(tenant):
            with self._store.read(tenant) as read:
                loaded = Loaded(self._rules, self.renderer(tenant))
                rows = loaded.rows_about(read, [("drain", drain)])
                seq, held = read.seq_at(known_at), read.held_count(drain, known_at)
            loaded.replay([row for row in rows if row.received_at <= known_at])
            ledger = loaded.book.ledger(drain)
        return None if ledger is None else (replace(ledger, held=held), f"{seq}-{held}")

    def _rows_about(self, tenant: str, drain: str) -> tuple[Loaded, list[JournalRow]]:
        """Every journal row that a drain's ledger may depend on, in the order of the journal, and who can replay them:
        the connection is given back before anything is folded."""
        loaded = Loaded(self._rules, self.renderer(tenant))
        with self._store.read(tenant) as read:
            return loaded, loaded.rows_about(read, [("drain", drain)])

    # Tracing

    def _resource(self, read: Read, ref: str) -> _Found | None:
        type_, slash, fhir_id = ref.partition("/")
        if not slash or not type_[:1].isupper():
            return None
        id_, _ = split_id(fhir_id)
        versions = read.history(id_)
        if not versions:
            return None
        slot = versions[-1].record
        rows = read.find([slot]) if slot is not None else {}
        return list(rows.values()), versions

    def _record(self, read: Read, ref: str) -> _Found | None:
        source, _, id_ = ref.partition("/")
        slots = [Slot(source, "", id_)] if source in ("drain", "collector") else [Slot("other", source, id_)]
        rows = list(read.find(slots).values())
        if not rows:
            return None
        ids = self.renderer(read.tenant).ids
        return rows, [version for row in rows for version in read.history(ids.record(row.record.key))]

    def _with_sources(self, tenant: str, rows: list[JournalRow], versions: list[VersionRow]) -> Trace:
        """Adds the entries of the record and the records that they rest on, corrections and retractions included."""
        names = sorted({tie for row in rows for tie in row.names})
        if not names:  # a window belongs to no record
            return Trace((), (), tuple(versions))
        with self._book(tenant, names[0]) as loaded:
            with self._store.read(tenant) as read:
                loaded.gather(read, names)
            loaded.settle()
            entries = [entry for row in rows for entry in loaded.book.entries(row.record.key)]
        keys = {key for entry in entries if entry.interval is not None for key in _rests_on(entry)}
        known = {row.record.key for row in rows}
        with self._store.read(tenant) as read:
            sources = read.find([slot_of(key) for key in sorted(keys - known)])
        return Trace((*rows, *sources.values()), tuple(entries), tuple(versions))


class RowsOnce:
    """Rows of the journal, read once for all the books of a page: they have mostly the same to catch up with."""

    def __init__(self) -> None:
        self._rows: dict[tuple[int, int], list[JournalRow]] = {}

    def of(self, read: Read) -> RowsAfter:
        """`read` must not be older than the one before."""

        def after(seq: int, limit: int) -> list[JournalRow]:
            if (seq, limit) not in self._rows:
                self._rows[seq, limit] = read.rows(seq, limit)
            return self._rows[seq, limit]

        return after


def _change_of(drain: str, row: JournalRow, found: Changes) -> Change | None:
    nodes = tuple(change for change in found.nodes if change.drain == drain)
    windows = tuple(change for change in found.windows if change.drain == drain)
    # A drain's own record may come, change or go while there is nothing in its ledger.
    return Change(row, nodes, windows) if nodes or windows or drain in found.drains else None


def _zone_of(drain: str, rows: Sequence[JournalRow]) -> str | None:
    """The time zone that was last said of a drain, whether or not that holds still; None where none ever was."""
    said = (row.record.record if isinstance(row.record, Correction) else row.record for row in rows)
    zones = [each.time_zone for each in said if isinstance(each, Drain) and each.id == drain]
    return zones[-1] if zones else None


def _rests_on(entry: NodeEntry) -> set[Key]:
    assert entry.interval is not None
    weighed_by = entry.interval.weighed_by
    by_weight = set() if weighed_by is None else {weighed_by}
    return {*entry.interval.records, *(level.owner for level in entry.interval.levels)} | by_weight
