"""A tenant's journal and the ledgers it makes: records in, in any order; what changed out.

The book is a pure function of the records added (and the rules in force when each was), whatever their order; it only
keeps what it has worked out so that the next record costs little.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from msgspec import Struct

from drainledger.domain.changes import Changes, ConnectionChange, Settled
from drainledger.domain.collectors import Rules
from drainledger.domain.drain_book import DrainBook
from drainledger.domain.entries import CollectorUse, Connection, DrainLedger, Finding, NodeEntry
from drainledger.domain.records import (
    CHANGE_KINDS,
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Record,
    Retraction,
    Statement,
)
from drainledger.domain.refolds import is_judged
from drainledger.domain.statements import Added, InForce, Slot, Standing, Statements, slot_of
from drainledger.domain.topology import Judged, resolve
from drainledger.domain.window_book import Period


class Outcome(Struct, frozen=True):
    """What became of a record that was added: accepted, a duplicate, or in conflict with the first of its id."""

    status: Added


class Book:
    """One tenant's ledgers. `rules` are in force for the records added from now on; assign to put a new version in
    force: what was journaled before stays judged by its own."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self._statements = Statements()
        self._in_force: dict[Slot, InForce] = {}
        self._drains: dict[str, DrainBook] = {}
        self._changes_of_drain: dict[str, dict[Key, InForce]] = {}
        self._changes_of_collector: dict[str, dict[Key, InForce]] = {}
        self._drains_of_collector: dict[str, dict[str, int]] = {}
        self._rules_of: dict[Key, Rules] = {}
        self._judged: dict[tuple[str, str], dict[str, Judged]] = {}
        self._dirty_slots: set[Slot] = set()
        self._dirty_drains: set[str] = set()
        self._unresolved: set[str] = set()
        self._changed_drains: set[str] = set()
        self._changed_collectors: set[str] = set()
        self._held: dict[str, int] = {}

    # In

    def add(self, record: Record, rules: Rules | None = None) -> Outcome:
        """Takes one record. `rules` are those in force when it was journaled, by default the book's own."""
        status, touched = self._statements.add(record)
        if status == "accepted":
            self._dirty_slots |= touched
            if is_judged(record):
                self._rules_of[record.key] = rules or self.rules
        return Outcome(status)

    def judge(self, key: Key, rules: Rules) -> None:
        """Judges a drain, a collector or an event by `rules`, whatever was in force when it was journaled."""
        self._rules_of[key] = rules
        statement = self._in_force.get(slot_of(key))
        record = statement.record if statement is not None else None
        if isinstance(record, Drain):
            self._drain_book(record.id).set_rules(rules)
            self._dirty_drains.add(record.id)
            self._changed_drains.add(record.id)
        elif isinstance(record, Collector):
            self._rejudge([record.id])
            self._changed_collectors.add(record.id)
        elif isinstance(record, Event) and self._is_change(slot_of(key)):
            if record.drain is not None:
                self._unresolved.add(record.drain)
            self._rejudge([c for c in (record.collector, record.from_collector) if c is not None])

    def _rejudge(self, collectors: Sequence[str]) -> None:
        """Forgets by what their connections were judged."""
        for pair in [(c, profile) for c in collectors for profile in self._profiles_judged(c)]:
            del self._judged[pair]
        self._unresolved.update(self._drains_tied_to(collectors))

    def _profiles_judged(self, collector_id: str) -> list[str]:
        statement = self._in_force.get(Slot("collector", "", collector_id))
        record = statement.record if statement is not None else None
        known = [record.profile] if isinstance(record, Collector) else []
        return [profile for profile in known if (collector_id, profile) in self._judged]

    def hold(self, drain_id: str | None) -> None:
        """Counts a held record that names a drain, so that the drain's view says so."""
        if drain_id is not None:
            self._held[drain_id] = self._held.get(drain_id, 0) + 1
            if drain_id in self._drains:
                self._drains[drain_id].held = self._held[drain_id]

    def tick(self, at: datetime) -> None:
        """Time went by: windows of every drain are open or closed as of `at` at the earliest."""
        for drain_id, drain in self._drains.items():
            drain.tick(at)
            self._dirty_drains.add(drain_id)

    def refold(self) -> Changes:
        """Folds what became dirty since the last time."""
        for slot in sorted(self._dirty_slots):
            self._update(slot)
        self._dirty_slots.clear()
        connections = self._resolve()
        changes = Changes([], [], connections, self._changed_drains, self._changed_collectors)
        for drain_id in sorted(self._dirty_drains):
            nodes, windows = self._drains[drain_id].refold()
            changes.nodes.extend(nodes)
            changes.windows.extend(windows)
        self._dirty_drains.clear()
        self._changed_drains, self._changed_collectors = set(), set()
        return changes

    def settle(self, before: datetime) -> list[Settled]:
        """For an ordered stream: lets go of what can't change if nothing earlier than `before` comes or is changed.

        Readings and events that are let go are forgotten; changes of connection stay.
        """
        found = []
        for drain_id in sorted(self._drains):
            entries, windows = self._drains[drain_id].settle(before)
            if not entries and not windows:
                continue
            found.append(Settled(drain_id, entries, windows))
            for entry in entries:
                slot = slot_of(entry.key)
                if not self._is_change(slot):
                    self._in_force.pop(slot, None)
                    self._statements.forget(slot)
        return found

    def _is_change(self, slot: Slot) -> bool:
        statement = self._in_force.get(slot)
        record = statement.record if statement is not None else None
        return isinstance(record, Event) and (record.kind in CHANGE_KINDS or record.kind == "tipped")

    def latest(self, drain_id: str) -> datetime | None:
        """The instant of a drain's latest record."""
        drain = self._drains.get(drain_id)
        return drain.as_of if drain is not None else None

    # Out

    def drain_ids(self) -> list[str]:
        """The drains whose own record is known, sorted."""
        return sorted(drain_id for drain_id, drain in self._drains.items() if drain.drain is not None)

    def ledger(self, drain_id: str) -> DrainLedger | None:
        """A drain's ledger as of the last refold; None while its own record is unknown."""
        drain = self._drains.get(drain_id)
        return drain.ledger() if drain is not None else None

    def collectors(self) -> list[CollectorUse]:
        """Every known collector with a known profile, by id."""
        uses = (
            self._use_of(statement) for slot, statement in self._in_force.items() if slot.space == "collector"
        )
        return sorted((use for use in uses if use is not None), key=lambda use: use.collector.key.id)

    def _use_of(self, statement: InForce) -> CollectorUse | None:
        record = statement.record
        assert isinstance(record, Collector)
        versions = self._judged.get((record.id, record.profile))
        # Journaled under several versions of the profile: which one tells of it is always the same.
        judged = versions[min(versions)] if versions else None
        profile = (
            judged.profile if judged is not None else self._rules_for(record).profiles.get(record.profile)
        )
        return CollectorUse(collector=record, profile=profile) if profile is not None else None

    def life(self, drain_id: str) -> tuple[datetime | None, datetime | None]:
        """When a drain first gave output that its ledger knows of, and when it was taken out."""
        drain = self._drains.get(drain_id)
        return drain.life() if drain is not None else (None, None)

    def drain(self, drain_id: str) -> Drain | None:
        """A drain's statement in force."""
        return self._drain_of(drain_id)

    def connections(self, drain_id: str) -> tuple[Connection, ...]:
        """A drain's connections, in order."""
        drain = self._drains.get(drain_id)
        return drain.connections if drain is not None and drain.drain is not None else ()

    def drains_of(self, collector_id: str) -> set[str]:
        """The drains that are or were connected to a collector."""
        tied = self._drains_tied_to([collector_id])
        return {
            drain_id
            for drain_id in tied
            if any(c.collector == collector_id for c in self.connections(drain_id))
        }

    def own_findings(self, drain_id: str) -> tuple[Finding, ...]:
        """The findings about a drain's own record."""
        drain = self._drains.get(drain_id)
        return drain.own_findings() if drain is not None else ()

    def collector(self, collector_id: str) -> CollectorUse | None:
        """A collector's statement in force with the profile by which it is judged."""
        statement = self._in_force.get(Slot("collector", "", collector_id))
        return self._use_of(statement) if statement is not None else None

    def statement(self, key: Key) -> InForce | None:
        """What holds of a record now; None where it is unknown or retracted."""
        return self._statements.in_force(slot_of(key))

    def entries(self, key: Key) -> list[NodeEntry]:
        """The entries of a record, one for each drain that it concerns."""
        drains = (self._drains.get(drain_id) for drain_id in sorted(self._may_hold(key)))
        found = [drain.entry(key) for drain in drains if drain is not None]
        return [entry for entry in found if entry is not None]

    def _may_hold(self, key: Key) -> set[str]:
        """The drains whose ledgers may have an entry of a record: the one it names, and for a change of a unit all that
        are tied to it."""
        slot = slot_of(key)
        statement = self._in_force.get(slot)
        record = statement.record if statement is not None else None
        if not isinstance(record, Event | Reading):
            return set()
        named = {record.drain} if record.drain is not None else set[str]()
        if isinstance(record, Reading) or not self._is_change(slot):
            return named
        return named | self._drains_tied_to(
            c for c in (record.collector, record.from_collector) if c is not None
        )

    def status(self, key: Key) -> Standing | None:
        """Whether a record is used, waiting or set aside; None where it is unknown or retracted."""
        record = self._statements.original(slot_of(key))
        if isinstance(record, Correction | Retraction):
            return self._statements.standing(record)
        statement = self.statement(key)
        if record is None or statement is None:
            return None
        if isinstance(statement.record, Drain):
            return "used"
        if isinstance(statement.record, Collector):
            known = self._rules_for(statement.record).profiles
            return "used" if statement.record.profile in known else "waiting"
        found = {entry.status for entry in self.entries(key)}
        if not found:
            return "waiting"
        return "used" if "used" in found else "set-aside" if "set-aside" in found else "waiting"

    def original(self, key: Key) -> Record | None:
        """The record first accepted under an id."""
        return self._statements.original(slot_of(key))

    def at_slot(self, slot: Slot) -> Record | None:
        """The record first accepted in a slot."""
        return self._statements.original(slot)

    def retraction_of(self, key: Key) -> Retraction | None:
        """What withdrew a record, None where nothing did."""
        return self._statements.retraction_of(slot_of(key))

    def records(self) -> list[Record]:
        """Every accepted record, sorted by id."""
        return sorted(
            self._statements.records(), key=lambda record: (record.key.source, record.key.id, record.key.kind)
        )

    def retracted(self) -> list[tuple[Statement, Retraction]]:
        """Every statement withdrawn, with what withdrew it, sorted by id."""
        return sorted(self._statements.retracted(), key=lambda pair: pair[0].key)

    # Statements

    def _drain_book(self, drain_id: str) -> DrainBook:
        found = self._drains.get(drain_id)
        if found is None:
            found = self._drains[drain_id] = DrainBook(drain_id, self.rules)
            found.held = self._held.get(drain_id, 0)
        return found

    def _update(self, slot: Slot) -> None:
        new = self._statements.in_force(slot)
        old = self._in_force.get(slot)
        if old == new:
            return
        if old is not None:
            self._unplace(old)
            del self._in_force[slot]
        if new is not None:
            self._in_force[slot] = new
            self._place(new)
        if slot.space == "drain":
            drain = self._drain_book(slot.id)
            drain.set_statement(new)
            if new is not None:
                drain.set_rules(self._rules_for(new.record))
            self._dirty_drains.add(slot.id)
            self._changed_drains.add(slot.id)
            self._unresolved.add(slot.id)
            for statement in (old, new):
                if statement is not None and isinstance(statement.record, Drain):
                    self._unresolved.update(statement.record.joins)
        elif slot.space == "collector":
            self._changed_collectors.add(slot.id)
            self._unresolved.update(self._drains_tied_to([slot.id]))

    def _place(self, statement: InForce) -> None:
        record = statement.record
        if isinstance(record, Event) and (record.kind in CHANGE_KINDS or record.kind == "tipped"):
            self._link(statement, record, +1)
        elif isinstance(record, Event | Reading) and record.drain is not None:
            self._drain_book(record.drain).put(statement)
            self._dirty_drains.add(record.drain)

    def _unplace(self, statement: InForce) -> None:
        record = statement.record
        if isinstance(record, Event) and (record.kind in CHANGE_KINDS or record.kind == "tipped"):
            self._link(statement, record, -1)
        elif isinstance(record, Event | Reading) and record.drain is not None:
            self._drain_book(record.drain).drop(record.key)
            self._dirty_drains.add(record.drain)

    def _link(self, statement: InForce, event: Event, step: int) -> None:
        """Notes which drain and collectors a change or a tip ties together."""
        collectors = [c for c in (event.collector, event.from_collector) if c is not None]
        homes = [self._changes_of_drain.setdefault(event.drain, {})] if event.drain is not None else []
        if event.drain is None:
            homes = [self._changes_of_collector.setdefault(c, {}) for c in collectors]
        for home in homes:
            if step > 0:
                home[event.key] = statement
            else:
                home.pop(event.key, None)
        if event.drain is not None:
            self._drain_book(event.drain)
            self._unresolved.add(event.drain)
            for collector in collectors:
                counts = self._drains_of_collector.setdefault(collector, {})
                counts[event.drain] = counts.get(event.drain, 0) + step
                if not counts[event.drain]:
                    del counts[event.drain]
            if step < 0:  # what it occupied may be free now for those that it is tied to no longer
                self._unresolved.update(self._drains_tied_to(collectors))
        else:
            self._unresolved.update(self._drains_tied_to(collectors))

    def _drains_tied_to(self, collectors: Iterable[str]) -> set[str]:
        """The drains that have led to these collectors, or to one that a change of a whole unit put in their place."""
        drains: set[str] = set()
        seen: set[str] = set()
        todo = list(collectors)
        while todo:
            collector = todo.pop()
            if collector in seen:
                continue
            seen.add(collector)
            drains.update(self._drains_of_collector.get(collector, ()))
            for statement in self._changes_of_collector.get(collector, {}).values():
                event = statement.record
                assert isinstance(event, Event)
                todo.extend(c for c in (event.collector, event.from_collector) if c is not None)
        return drains

    # Topology

    def _resolve(self) -> list[ConnectionChange]:
        changed: list[ConnectionChange] = []
        joins_touched = False
        while self._unresolved:
            drains, statements = self._component(min(self._unresolved))
            self._unresolved -= drains
            events = [s.record for s in statements.values() if isinstance(s.record, Event)]
            topology = resolve(events, self._judge, self._drain_of)
            for drain_id in sorted(drains):
                book = self._drain_book(drain_id)
                connections = topology.connections.get(drain_id, ())
                placements = topology.placements.get(drain_id, ())
                if connections != book.connections:
                    changed.append(ConnectionChange(drain_id, book.connections, connections))
                    joins_touched = True
                book.set_topology(connections, [(p, statements[p.event.key]) for p in placements])
                if book.is_dirty:
                    self._dirty_drains.add(drain_id)
                joins_touched = joins_touched or drain_id in self._changed_drains
        if joins_touched:
            self._set_joins()
        return changed

    def _component(self, drain_id: str) -> tuple[set[str], dict[Key, InForce]]:
        """The drains tied to one by shared collectors, and the changes and tips of all of them."""
        drains: set[str] = set()
        collectors: set[str] = set()
        statements: dict[Key, InForce] = {}
        todo_drains, todo_collectors = [drain_id], list[str]()
        while todo_drains or todo_collectors:
            if todo_drains:
                drain = todo_drains.pop()
                if drain in drains:
                    continue
                drains.add(drain)
                found = self._changes_of_drain.get(drain, {})
            else:
                collector = todo_collectors.pop()
                if collector in collectors:
                    continue
                collectors.add(collector)
                todo_drains.extend(self._drains_of_collector.get(collector, ()))
                found = self._changes_of_collector.get(collector, {})
            statements.update(found)
            for statement in found.values():
                event = statement.record
                assert isinstance(event, Event)
                todo_collectors.extend(c for c in (event.collector, event.from_collector) if c is not None)
        return drains, statements

    def _judge(self, collector_id: str, event: Event) -> Judged | None:
        statement = self._in_force.get(Slot("collector", "", collector_id))
        if statement is None or not isinstance(statement.record, Collector):
            return None
        rules = self._rules_for(event)
        profile = rules.profiles.get(statement.record.profile)
        if profile is None:
            return None
        versions = self._judged.setdefault((collector_id, profile.id), {})
        if rules.version not in versions:
            versions[rules.version] = Judged(profile, rules)
        return versions[rules.version]

    def _rules_for(self, statement: Statement) -> Rules:
        return self._rules_of.get(statement.key, self.rules)

    def _drain_of(self, drain_id: str) -> Drain | None:
        drain = self._drains.get(drain_id)
        return drain.drain if drain is not None else None

    def _set_joins(self) -> None:
        """Tells each tube that a Y joins when its output went into another drain's chamber."""
        periods: dict[str, list[Period]] = {}
        for drain in self._drains.values():
            if drain.drain is not None:
                for tube in drain.drain.joins:
                    periods.setdefault(tube, []).extend((c.start, c.end) for c in drain.connections)
        for drain_id, book in self._drains.items():
            book.set_joined(tuple(sorted(periods.get(drain_id, ()), key=lambda p: p[0])))
            if book.is_dirty:
                self._dirty_drains.add(drain_id)


def load(records: Iterable[Record], rules: Rules) -> Book:
    """A book of these records, folded."""
    book = Book(rules)
    for record in records:
        book.add(record)
    book.refold()
    return book
