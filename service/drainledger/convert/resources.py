"""A folded book as FHIR resources, message by message, in an order that depends on the journal alone.

A message is what one record gives: its resources and their Provenance. First come drains and collectors, then
connections, readings and events along time, then what was withdrawn, windows, and findings of the drains themselves.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from datetime import datetime
from itertools import chain, groupby
from operator import attrgetter, itemgetter
from typing import NamedTuple

from drainledger.domain.book import Book
from drainledger.domain.entries import CollectorUse, Connection, DrainLedger, NodeEntry
from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Statement,
)
from drainledger.fhir import Renderer, Resource

Message = list[Resource]


class _Moment(NamedTuple):
    at: datetime
    key: Key
    resources: Message


class Rendering:
    """One book through one renderer."""

    def __init__(self, book: Book, renderer: Renderer) -> None:
        self._book = book
        self._renderer = renderer
        self._ledgers = [ledger for id_ in book.drain_ids() if (ledger := book.ledger(id_)) is not None]
        self._drains = {ledger.drain.id: ledger.drain for ledger in self._ledgers}
        self._uses = {use.collector.id: use for use in book.collectors()}
        self._corrections = _corrections_used(book)

    def messages(self) -> Iterator[Message]:
        """Each message's resources. One that two messages share (a Patient) comes with the first alone."""
        once: set[tuple[str, str]] = set()
        for message in chain(self._heads(), self._along_time(), self._withdrawn(), self._afterwards()):
            fresh = [one for one in message if one.type not in _SHARED or (one.type, one.id) not in once]
            once.update((one.type, one.id) for one in fresh if one.type in _SHARED)
            if fresh:
                yield fresh

    # Drains and collectors

    def _heads(self) -> Iterator[Message]:
        for ledger in self._ledgers:
            drain = ledger.drain
            message = self._renderer.drain(
                drain,
                since=next((node.total.since for node in ledger.nodes if node.total), None),
                removed_at=next((node.at for node in ledger.nodes if _is_removal(node)), None),
                stamp=self._stamp(drain.key),
            )
            yield self._with_corrections(message, drain.key, drain.time_zone)
        connections = sorted(
            chain(*(ledger.connections for ledger in self._ledgers)), key=attrgetter("collector")
        )
        of_collector = {id_: list(mine) for id_, mine in groupby(connections, key=attrgetter("collector"))}
        for id_, use in self._uses.items():
            key = use.collector.key
            message = self._renderer.collector(
                use, of_collector.get(id_, ()), self._drains, stamp=self._stamp(key)
            )
            yield self._with_corrections(message, key, "UTC")

    def _stamp(self, key: Key) -> datetime | None:
        statement = self._book.statement(key)
        return None if statement is None else statement.stamp

    # Connections, readings and events

    def _along_time(self) -> Iterator[Message]:
        """Messages by time over all drains, so that a record which concerns two of them is one message."""
        moments = heapq.merge(*map(self._moments, self._ledgers), key=itemgetter(0))
        for _, instant in groupby(moments, key=itemgetter(0)):
            messages: dict[Key, Message] = {}
            for moment in instant:
                messages.setdefault(moment.key, []).extend(moment.resources)
            yield from messages.values()

    def _moments(self, ledger: DrainLedger) -> Iterator[_Moment]:
        opened = sorted(ledger.connections, key=attrgetter("start"))
        return heapq.merge(
            (_Moment(c.start, c.opened_by, self._renderer.connection(c, ledger.drain)) for c in opened),
            (_Moment(node.at, node.key, self._node(node, ledger.drain)) for node in ledger.nodes),
            key=itemgetter(0),
        )

    def _node(self, node: NodeEntry, drain: Drain) -> Message:
        message = self._renderer.node(node, drain, self._use(node.connection))
        return self._with_corrections(message, node.key, drain.time_zone) if node.corrected else message

    def _use(self, connection: Connection | None) -> CollectorUse | None:
        return None if connection is None else self._uses.get(connection.collector)

    def _with_corrections(self, message: Message, key: Key, zone: str) -> Message:
        """The message and, for each correction of its record, the Provenance that says so."""
        changed = _without_provenance(message)
        return message + [
            self._renderer.change(correction.key, correction.made_at, changed, "UPDATE", time_zone=zone)
            for correction in self._corrections.get(key, ())
            if changed
        ]

    # Retracted records

    def _withdrawn(self) -> Iterator[Message]:
        """What each retracted record itself said, entered-in-error."""
        for statement, retraction in self._book.retracted():
            message = list(self._said_by(statement, retraction.made_at))
            if message:
                yield [
                    *message,
                    self._renderer.change(retraction.key, retraction.made_at, message, "NULLIFY"),
                ]

    def _said_by(self, statement: Statement, made_at: datetime) -> Iterator[Resource]:
        match statement:
            case Drain():
                yield from self._renderer.drain(statement, stamp=made_at, retracted=True)
            case Collector():
                if profile := self._book.rules.profiles.get(statement.profile):
                    use = CollectorUse(collector=statement, profile=profile)
                    yield from self._renderer.collector(use, stamp=made_at, retracted=True)
            case Event() | Reading():
                for drain, connection in self._concerned(statement):
                    yield from self._renderer.retracted(
                        statement, drain, connection, self._use(connection), stamp=made_at
                    )

    def _zone_of(self, statement: Statement) -> str:
        """The zone of the drain that a statement names, UTC where it names none that is known."""
        if isinstance(statement, Drain):
            return statement.time_zone
        named = None if isinstance(statement, Collector) else statement.drain
        drain = None if named is None else self._drains.get(named)
        return "UTC" if drain is None else drain.time_zone

    def _concerned(self, record: Event | Reading) -> Iterator[tuple[Drain, Connection | None]]:
        """The drains that a retracted record spoke of, each with the connection that it would belong to."""
        for ledger in self._ledgers:
            at_it = [connection for connection in ledger.connections if _covers(connection, record)]
            if record.drain == ledger.drain.id or (record.drain is None and at_it):
                yield ledger.drain, next(iter(at_it), None)

    # Windows and the drains' own findings

    def _afterwards(self) -> Iterator[Message]:
        for ledger in self._ledgers:
            for window in ledger.windows:
                yield self._renderer.window(window, ledger.drain)
            for finding in ledger.findings:
                yield self._renderer.issue(finding, ledger.drain)


#: Resource types that more than one message may bring.
_SHARED = frozenset({"Patient"})


def _corrections_used(book: Book) -> dict[Key, list[Correction]]:
    """The corrections that count, by the key of the record they correct, in the order in which they were made."""
    used = [
        record
        for record in book.records()
        if isinstance(record, Correction) and book.status(record.key) == "used"
    ]
    found: dict[Key, list[Correction]] = {}
    for correction in sorted(used, key=attrgetter("made_at")):
        found.setdefault(correction.corrects, []).append(correction)
    return found


def _without_provenance(message: Message) -> Message:
    return [resource for resource in message if resource.type != "Provenance"]


def _is_removal(node: NodeEntry) -> bool:
    return isinstance(node.record, Event) and node.record.kind == "removed" and node.status == "used"


def _covers(connection: Connection, record: Event | Reading) -> bool:
    in_time = connection.start <= record.at and (connection.end is None or record.at <= connection.end)
    return in_time and _collector_named_by(record) in (None, connection.collector)


def _collector_named_by(record: Event | Reading) -> str | None:
    """The collector in place that a record speaks of, None where it names none or a new one."""
    if isinstance(record, Event) and record.kind in ("connected", "replaced"):
        return record.from_collector
    return record.collector
