"""A folded book as FHIR resources, message by message, in an order that depends on the journal alone.

A message is what one record gives: its resources and their Provenance. First come drains and collectors, then
connections, readings and events along time, then what was withdrawn, windows, and findings of the drains themselves.
"""

from __future__ import annotations

import heapq
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import chain, groupby
from operator import attrgetter, itemgetter
from typing import NamedTuple

from drainledger.domain.book import Book
from drainledger.domain.entries import CollectorUse, Connection, DrainLedger, NodeEntry, Window
from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Retraction,
    Statement,
)
from drainledger.fhir import Renderer, Resource

Message = list[Resource]
Corrections = Mapping[Key, Sequence[Correction]]


class Stretch(NamedTuple):
    """A part of one drain's ledger, in its order: all of it, or what an ordered stream has let go of."""

    drain: Drain
    nodes: Sequence[NodeEntry]
    windows: Sequence[Window]
    connections: Sequence[Connection] = ()


class Rendering:
    """A book, or stretches of one, through one renderer. `corrections` are those that count, by what they correct."""

    def __init__(self, renderer: Renderer, book: Book, corrections: Corrections) -> None:
        self._renderer = renderer
        self._book = book
        self._corrections = corrections
        self._patients: set[str] = set()
        self.look_again()

    def look_again(self) -> None:
        """Takes in what the book has come to know."""
        book = self._book
        self._uses = {use.collector.id: use for use in book.collectors()}
        self._drains = {id_: drain for id_ in book.drain_ids() if (drain := drain_in_force(book, id_))}
        self._ledgers: list[DrainLedger] = []

    def ledgers(self) -> list[DrainLedger]:
        """The book's ledgers, by the id of their drains."""
        if not self._ledgers:
            found = map(self._book.ledger, self._drains)
            self._ledgers = [ledger for ledger in found if ledger is not None]
        return self._ledgers

    def whole(self) -> Iterator[Message]:
        """Every message of the book."""
        ledgers = self.ledgers()
        stretches = [Stretch(one.drain, one.nodes, one.windows, one.connections) for one in ledgers]
        return chain(
            self.heads(),
            self.along_time(stretches),
            self.withdrawn(),
            self.windows(stretches),
            self.findings(),
        )

    # Drains and collectors

    def heads(self, *, but: Container[Key] = ()) -> Iterator[Message]:
        """Drains by id, then collectors by id, `but` those of these keys; a patient comes with the first drain."""
        self._patients.clear()
        for drain in self._drains.values():
            if drain.key in but:
                continue
            since, removed_at = self._book.life(drain.id)
            stamp = self._stamp(drain.key)
            message = self._renderer.drain(drain, since=since, removed_at=removed_at, stamp=stamp)
            yield self._with_corrections(self._patient_once(message), drain.key, drain.time_zone)
        connections = self._connections_by_collector()
        for id_, use in self._uses.items():
            key = use.collector.key
            if key in but:
                continue
            known = connections.get(id_, ())
            message = self._renderer.collector(use, known, self._drains, stamp=self._stamp(key))
            yield self._with_corrections(message, key, "UTC")

    def _patient_once(self, message: Message) -> Message:
        fresh = [one for one in message if one.type != "Patient" or one.id not in self._patients]
        self._patients.update(one.id for one in fresh if one.type == "Patient")
        return fresh

    def _connections_by_collector(self) -> dict[str, list[Connection]]:
        found: dict[str, list[Connection]] = {}
        for ledger in self.ledgers():
            for connection in ledger.connections:
                found.setdefault(connection.collector, []).append(connection)
        return found

    def _stamp(self, key: Key) -> datetime | None:
        statement = self._book.statement(key)
        return None if statement is None else statement.stamp

    # Connections, readings and events

    def along_time(self, stretches: Iterable[Stretch]) -> Iterator[Message]:
        """Messages by time over all drains, so that a record which concerns two of them is one message."""
        moments = heapq.merge(*map(self._moments, stretches), key=itemgetter(0))
        for _, instant in groupby(moments, key=itemgetter(0)):
            messages: dict[Key, Message] = {}
            zones: dict[Key, str] = {}
            for _, key, zone, resources in instant:
                messages.setdefault(key, []).extend(resources)
                zones.setdefault(key, zone)
            for key, message in messages.items():
                if message:
                    yield self._with_corrections(message, key, zones[key])

    def _moments(self, stretch: Stretch) -> Iterator[tuple[datetime, Key, str, Message]]:
        drain, zone = stretch.drain, stretch.drain.time_zone
        opened = sorted(stretch.connections, key=attrgetter("start"))
        return heapq.merge(
            ((one.start, one.opened_by, zone, self._renderer.connection(one, drain)) for one in opened),
            ((node.at, node.key, zone, self._node(node, drain)) for node in stretch.nodes),
            key=itemgetter(0),
        )

    def _node(self, node: NodeEntry, drain: Drain) -> Message:
        return self._renderer.node(node, drain, self._use(node.connection))

    def _use(self, connection: Connection | None) -> CollectorUse | None:
        return None if connection is None else self._uses.get(connection.collector)

    def _with_corrections(self, message: Message, key: Key, zone: str) -> Message:
        """The message and, for each correction of its record, the Provenance that says so."""
        if key not in self._corrections:
            return message
        changed = _without_provenance(message)
        return message + [
            self._renderer.change(correction.key, correction.made_at, changed, "UPDATE", time_zone=zone)
            for correction in self._corrections[key]
            if changed
        ]

    # Retracted records

    def withdrawn(self) -> Iterator[Message]:
        """What each retracted record itself said, entered-in-error."""
        for statement, retraction in self._book.retracted():
            message = list(self._said_by(statement, retraction))
            if changed := _without_provenance(message):
                key, made_at = retraction.key, retraction.made_at
                zone = self._zone_of(statement)
                yield [*message, self._renderer.change(key, made_at, changed, "NULLIFY", time_zone=zone)]

    def _said_by(self, statement: Statement, retraction: Retraction) -> Iterator[Resource]:
        made_at = retraction.made_at
        match statement:
            case Drain():
                message = self._renderer.drain(statement, stamp=made_at, retracted=True)
                yield from self._patient_once(message)
            case Collector():
                if profile := self._book.rules.profiles.get(statement.profile):
                    use = CollectorUse(collector=statement, profile=profile)
                    yield from self._renderer.collector(use, stamp=made_at, retracted=True)
            case Event() | Reading():
                for drain, connection in self._concerned(statement):
                    use_of = self._use(connection)
                    yield from self._renderer.retracted(statement, drain, connection, use_of, stamp=made_at)

    def _zone_of(self, statement: Statement) -> str:
        """The zone of the drain that a statement names, UTC where it names none that is known."""
        if isinstance(statement, Drain):
            return statement.time_zone
        named = None if isinstance(statement, Collector) else statement.drain
        drain = None if named is None else self._drains.get(named)
        return "UTC" if drain is None else drain.time_zone

    def _concerned(self, record: Event | Reading) -> Iterator[tuple[Drain, Connection | None]]:
        """The drains that a retracted record spoke of, each with the connection that it would belong to."""
        for ledger in self.ledgers():
            at_it = [connection for connection in ledger.connections if _covers(connection, record)]
            if record.drain == ledger.drain.id or (record.drain is None and at_it):
                yield ledger.drain, next(iter(at_it), None)

    # Windows and the drains' own findings

    def windows(self, stretches: Iterable[Stretch]) -> Iterator[Message]:
        for stretch in stretches:
            for window in stretch.windows:
                if message := self._renderer.window(window, stretch.drain):
                    yield message

    def findings(self) -> Iterator[Message]:
        for ledger in self.ledgers():
            for finding in ledger.findings:
                if message := self._renderer.issue(finding, ledger.drain):
                    yield message


def drain_in_force(book: Book, id_: str) -> Drain | None:
    """A drain's own statement; None where it is unknown or retracted."""
    statement = book.statement(Key("drain", "", id_))
    return statement.record if statement is not None and isinstance(statement.record, Drain) else None


def by_target(corrections: Iterable[Correction]) -> dict[Key, list[Correction]]:
    """Corrections by what they correct, in the order in which they were made."""
    found: dict[Key, list[Correction]] = {}
    for correction in sorted(corrections, key=lambda one: (one.made_at, one.key)):
        found.setdefault(correction.corrects, []).append(correction)
    return found


def _without_provenance(message: Message) -> Message:
    return [resource for resource in message if resource.type != "Provenance"]


def _covers(connection: Connection, record: Event | Reading) -> bool:
    in_time = connection.start <= record.at and (connection.end is None or record.at <= connection.end)
    return in_time and _collector_named_by(record) in (None, connection.collector)


def _collector_named_by(record: Event | Reading) -> str | None:
    """The collector in place that a record speaks of, None where it names none or a new one."""
    if isinstance(record, Event) and record.kind in ("connected", "replaced"):
        return record.from_collector
    return record.collector
