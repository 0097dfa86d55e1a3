"""What a refold changes on the wire: bodies before and after, and the status of each new version (FHIR.md 'Status')."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct

from drainledger.domain.book import Book
from drainledger.domain.changes import Changes, WindowChange
from drainledger.domain.entries import CollectorUse, NodeEntry, Window
from drainledger.domain.records import Drain, Event, Key, Reading
from drainledger.fhir import Renderer
from drainledger.fhir.restate import content, reissued, status_of, with_status, withdrawn
from drainledger.intake.heads import Bodies, Heads, Shown, by_reference

#: Statuses that a source's own word gives, whatever was there before.
_STATED = frozenset({"corrected", "entered-in-error"})


class Difference(Struct, frozen=True, gc=False):
    """A resource that must get a new version: as it was (None: never), and as it is (None: withdrawn)."""

    old: Shown | None
    new: Shown | None

    @property
    def shown(self) -> Shown:
        found = self.new or self.old
        assert found is not None
        return found


class Rendered:
    """One tenant's book through its renderer, with the statements that its last versions were rendered by."""

    def __init__(self, renderer: Renderer, book: Book) -> None:
        self.book = book
        self.renderer = renderer
        self._heads = Heads(renderer, book)
        self._drains: dict[str, Drain] = {}
        self._uses: dict[str, CollectorUse] = {}

    def take_as_written(self, changes: Changes) -> None:
        """What was loaded from the journal has been written before: only what comes is a difference."""
        drains, collectors = self._touched(changes)
        self._heads.refresh(drains, collectors)
        self._remember(drains, collectors)

    def differences(self, changes: Changes) -> list[Difference]:
        """What the refold that reported `changes` changes on the wire, in a stable order."""
        drains, collectors = self._touched(changes)
        before, after = self._heads.refresh(drains, collectors)
        self._add_nodes(changes, before, after)
        self._add_windows(changes.windows, before, after)
        self._remember(drains, collectors)
        return _different(before, after)

    def _touched(self, changes: Changes) -> tuple[list[str], list[str]]:
        """The drains and collectors whose own resources may differ: one that becomes known shows its connections."""
        drains = changes.drains | {c.drain for c in changes.connections} | {c.drain for c in changes.nodes}
        collectors = set(changes.collectors)
        for change in changes.connections:
            collectors |= {c.collector for c in (*change.old, *change.new)}
        for drain_id in changes.drains:
            collectors |= {c.collector for c in self.book.connections(drain_id)}
            collectors |= self._heads.collectors_of(drain_id)
        return sorted(drains), sorted(collectors)

    def id_of(self, key: Key) -> str:
        """What the ids of a record's resources begin with."""
        return self.renderer.ids.record(key)

    def patient_of(self, drain_id: str) -> str | None:
        """The id of a drain's Patient; None while the drain's own record is unknown or retracted."""
        drain = self.book.drain(drain_id)
        return None if drain is None else self.renderer.ids.patient(drain.patient)

    # Nodes

    def _add_nodes(self, changes: Changes, before: Bodies, after: Bodies) -> None:
        changed: set[tuple[str, Key]] = set()
        for change in changes.nodes:
            changed.add((change.drain, change.key))
            if change.old is not None:
                before |= self._node(change.old, self._old_drain(change.drain), self._uses)
            if change.new is not None:
                after |= self._node(change.new, self.book.drain(change.drain), None)
            else:
                after |= self._retracted(change.old)
        for drain_id in self._restated(changes):
            ledger = self.book.ledger(drain_id)
            for entry in ledger.nodes if ledger is not None else ():
                if (drain_id, entry.key) not in changed:
                    before |= self._node(entry, self._old_drain(drain_id), self._uses)
                    after |= self._node(entry, self.book.drain(drain_id), None)

    def _restated(self, changes: Changes) -> set[str]:
        """Drains whose nodes may look different though their arithmetic does not: another side, another leak scale."""
        drains = {d for d in changes.drains if self._old_drain(d) not in (None, self.book.drain(d))}
        for collector_id in changes.collectors:
            old = self._uses.get(collector_id)
            if old is not None and old != self.book.collector(collector_id):
                drains |= self.book.drains_of(collector_id)
        return drains

    def _old_drain(self, drain_id: str) -> Drain | None:
        return self._drains.get(drain_id)

    def _node(self, entry: NodeEntry, drain: Drain | None, uses: Mapping[str, CollectorUse] | None) -> Bodies:
        if drain is None:
            return {}
        use = None
        if entry.connection is not None:
            collector_id = entry.connection.collector
            use = self.book.collector(collector_id) if uses is None else uses.get(collector_id)
        return by_reference(self.renderer.node(entry, drain, use), drain.id, entry.at)

    def _retracted(self, old: NodeEntry | None) -> Bodies:
        """What a withdrawn record itself said, entered in error; what was worked out from it is withdrawn as well."""
        if old is None:
            return {}
        retraction = self.book.retraction_of(old.key)
        drain = self.book.drain(old.drain) or self._old_drain(old.drain)
        if retraction is None or drain is None or not isinstance(old.record, Event | Reading):
            return {}
        use = self.book.collector(old.connection.collector) if old.connection is not None else None
        first = self.book.original(old.key)
        record = first if isinstance(first, Event | Reading) else old.record
        made = self.renderer.retracted(record, drain, old.connection, use, stamp=retraction.made_at)
        return by_reference(made, drain.id, old.at)

    # Windows

    def _add_windows(self, changes: Iterable[WindowChange], before: Bodies, after: Bodies) -> None:
        for change in changes:
            before |= self._window(change.old, self._old_drain(change.drain))
            after |= self._window(change.new, self.book.drain(change.drain))

    def _window(self, window: Window | None, drain: Drain | None) -> Bodies:
        if window is None or drain is None:
            return {}
        return by_reference(self.renderer.window(window, drain), drain.id, window.end)

    def _remember(self, drains: Iterable[str], collectors: Iterable[str]) -> None:
        for drain_id in drains:
            drain = self.book.drain(drain_id)
            if drain is not None:
                self._drains[drain_id] = drain
        for collector_id in collectors:
            use = self.book.collector(collector_id)
            if use is not None:
                self._uses[collector_id] = use


def _different(before: Bodies, after: Bodies) -> list[Difference]:
    found = []
    for reference in sorted(before.keys() | after.keys()):
        old, new = before.get(reference), after.get(reference)
        if old is None or new is None or content(old.resource.body) != content(new.resource.body):
            found.append(Difference(old, new))
    return found


def version_body(difference: Difference, previous: str | None, issued: str) -> bytes:
    """The bytes of the new version. `previous` is the status of the version before, None where there is none; `issued`
    is the instant of the commit as FHIR writes it."""
    if difference.new is None:
        assert difference.old is not None
        return withdrawn(difference.old.resource.body, issued)
    body = reissued(difference.new.resource.body, issued)
    stated = status_of(body)
    status = next_status(difference.new.resource.type, stated, previous)
    return body if status == stated else with_status(body, status)


def next_status(type_: str, stated: str, previous: str | None) -> str:
    """The status of a new version; `stated` is the one that it would have without a history.

    What was final is never preliminary again, and final again only as amended.
    """
    if previous is None or type_ != "Observation" or stated in _STATED or previous == "preliminary":
        return stated
    return "amended"
