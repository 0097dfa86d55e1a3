"""The read side: ledgers as they are or were, what changed and because of what, and where anything comes from.

Everything is reckoned from the journal by the same fold that the intake uses; nothing here writes.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import datetime
from functools import cache

from msgspec import Struct
from msgspec.structs import replace

from drainledger.domain.changes import NodeChange, WindowChange
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import DrainLedger, NodeEntry
from drainledger.domain.records import Key
from drainledger.domain.statements import Slot, slot_of
from drainledger.fhir import Renderer
from drainledger.intake.loading import Loaded
from drainledger.intake.patients import patients_of
from drainledger.intake.shelf import Shelf
from drainledger.store.codec import split_id
from drainledger.store.read import Read
from drainledger.store.rows import HeldRow, JournalRow, VersionRow
from drainledger.store.store import Store


class Change(Struct, frozen=True):
    """What one journaled record changed in a drain's ledger."""

    cause: JournalRow
    nodes: tuple[NodeChange, ...]
    windows: tuple[WindowChange, ...]


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
        self._renderer = renderer
        self._shelf = Shelf(lambda tenant: Loaded(rules, renderer(tenant)))

    def ledger(
        self, tenant: str, drain: str, *, known_at: datetime | None = None
    ) -> tuple[DrainLedger, str] | None:
        """A drain's ledger, as it is or as it was known at an instant, and a text that changes when it does; None where
        there is no such drain."""
        with self._store.read(tenant) as read:
            if known_at is not None:
                loaded = self._as_known(tenant, read, drain, known_at)
                ledger = loaded.book.ledger(drain)
            else:
                ledger = self._current(tenant, read, [drain])[0]
            if ledger is None:
                return None
            held = read.held_count(drain)
            ledger = replace(ledger, held=held)
            return ledger, f"{read.seq_at(known_at) if known_at is not None else read.last_seq()}-{held}"

    def drains(self, tenant: str, after: str, limit: int) -> list[DrainLedger]:
        """Ledgers of drains by id, from the one after `after` on."""
        with self._store.read(tenant) as read:
            ids = read.drains(after, limit)
            found = self._current(tenant, read, ids)
            return [replace(each, held=read.held_count(each.drain.id)) for each in found if each is not None]

    def changes_since(self, tenant: str, drain: str, since: datetime) -> list[Change] | None:
        """What changed in a drain's ledger after an instant of receipt, record by record as they were journaled."""
        with self._store.read(tenant) as read:
            rows = self._rows_about(tenant, read, drain)
            loaded = Loaded(self._rules, self._renderer(tenant))
            before = [row for row in rows if row.received_at <= since]
            loaded.replay(read, before)
            changes = []
            for row in rows[len(before) :]:
                found = loaded.replay(read, [row])
                nodes = tuple(c for c in found.nodes if c.drain == drain)
                windows = tuple(c for c in found.windows if c.drain == drain)
                if nodes or windows:
                    changes.append(Change(row, nodes, windows))
            return changes if loaded.book.drain(drain) is not None else None

    def trace(self, tenant: str, ref: str) -> Trace | None:
        """`ref`: a resource (`Observation/…`), a record (`source/id`, `drain/id`, `collector/id`) or a held id."""
        with self._store.read(tenant) as read:
            held = read.held_one(ref)
            if held is not None:
                rows = [row] if held.replayed_as is not None and (row := read.row(held.replayed_as)) else []
                return Trace(tuple(rows), (), (), held)
            return self._trace_resource(tenant, read, ref) or self._trace_record(tenant, read, ref)

    def patients(self, read: Read, drains: Collection[str]) -> dict[str, str]:
        """Drain -> the id of its Patient, in the state that `read` sees; drains without a record are left out."""
        return patients_of(read, self._renderer(read.tenant), drains)

    # Loading

    def _current(self, tenant: str, read: Read, drains: Sequence[str]) -> list[DrainLedger | None]:
        rows_after = cache(read.rows)  # the books of a page have mostly the same to catch up with
        found = []
        for drain in drains:
            name = ("drain", drain)
            with self._shelf.book(tenant, name) as loaded:
                loaded.catch_up(read, rows_after)
                loaded.ensure(read, [name])
                found.append(loaded.book.ledger(drain))
        return found

    def _as_known(self, tenant: str, read: Read, drain: str, known_at: datetime) -> Loaded:
        loaded = Loaded(self._rules, self._renderer(tenant))
        loaded.replay(read, [r for r in self._rows_about(tenant, read, drain) if r.received_at <= known_at])
        return loaded

    def _rows_about(self, tenant: str, read: Read, drain: str) -> list[JournalRow]:
        """Every journal row that a drain's ledger may depend on, in the order of the journal."""
        loaded = Loaded(self._rules, self._renderer(tenant))
        return loaded.rows_about(read, [("drain", drain)])

    # Tracing

    def _trace_resource(self, tenant: str, read: Read, ref: str) -> Trace | None:
        type_, slash, fhir_id = ref.partition("/")
        if not slash or not type_[:1].isupper():
            return None
        id_, _ = split_id(fhir_id)
        versions = read.history(id_)
        if not versions:
            return None
        slot = versions[-1].record
        rows = read.find([slot]) if slot is not None else {}
        return self._with_sources(tenant, read, list(rows.values()), versions)

    def _trace_record(self, tenant: str, read: Read, ref: str) -> Trace | None:
        source, _, id_ = ref.partition("/")
        slots = [Slot(source, "", id_)] if source in ("drain", "collector") else [Slot("other", source, id_)]
        rows = list(read.find(slots).values())
        if not rows:
            return None
        versions = [
            v for row in rows for v in read.history(self._renderer(tenant).ids.record(row.record.key))
        ]
        return self._with_sources(tenant, read, rows, versions)

    def _with_sources(
        self, tenant: str, read: Read, rows: list[JournalRow], versions: Sequence[VersionRow]
    ) -> Trace:
        """Adds the entries of the record and the records that they rest on, corrections and retractions included."""
        names = sorted({tie for row in rows for tie in row.names})
        if not names:  # a window belongs to no record
            return Trace((), (), tuple(versions))
        with self._shelf.book(tenant, names[0]) as loaded:
            loaded.catch_up(read)
            loaded.ensure(read, names)
            entries = [entry for row in rows for entry in loaded.book.entries(row.record.key)]
        keys = {key for entry in entries if entry.interval is not None for key in _rests_on(entry)}
        known = {row.record.key for row in rows}
        slots = [slot_of(key) for key in sorted(keys - known)]
        return Trace((*rows, *read.find(slots).values()), tuple(entries), tuple(versions))


def _rests_on(entry: NodeEntry) -> set[Key]:
    assert entry.interval is not None
    weighed_by = entry.interval.weighed_by
    by_weight = set() if weighed_by is None else {weighed_by}
    return {*entry.interval.records, *(level.owner for level in entry.interval.levels)} | by_weight
