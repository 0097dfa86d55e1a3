"""What a book's drains, collectors and connections look like as resources, kept to tell what a commit changes.

Nodes and windows need no keeping: a refold reports their old entries. A drain's own resources depend on its statement
and on when it began and ended; a collector's on its connections.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from msgspec import Struct

from drainledger.domain.book import Book
from drainledger.domain.entries import Connection
from drainledger.fhir import Renderer, Resource


class Shown(Struct, frozen=True, gc=False):
    """A resource, the drain that it is about (None: a unit, which may serve several) and the instant that it is of."""

    resource: Resource
    drain: str | None = None
    at: datetime | None = None


Bodies = dict[str, Shown]


class Heads:
    """The resources of what is loaded, by `Type/id`. `refresh` answers what they were and are."""

    def __init__(self, renderer: Renderer, book: Book) -> None:
        self._renderer = renderer
        self._book = book
        self._drains: dict[str, Bodies] = {}
        self._collectors: dict[str, Bodies] = {}
        self._collectors_of: dict[str, set[str]] = {}

    def refresh(self, drains: Iterable[str], collectors: Iterable[str]) -> tuple[Bodies, Bodies]:
        """Renders these again; the bodies before and after."""
        before: Bodies = {}
        after: Bodies = {}
        for drain_id in drains:
            before |= self._drains.get(drain_id, {})
            self._drains[drain_id] = self._drain(drain_id)
            after |= self._drains[drain_id]
        for collector_id in collectors:
            before |= self._collectors.get(collector_id, {})
            self._collectors[collector_id] = self._collector(collector_id)
            after |= self._collectors[collector_id]
        return before, after

    def collectors_of(self, drain_id: str) -> set[str]:
        """The collectors that were last rendered with a connection of the drain."""
        return self._collectors_of.get(drain_id, set())

    def _drain(self, drain_id: str) -> Bodies:
        drain = self._book.drain(drain_id)
        if drain is None:
            return {}
        statement = self._book.statement(drain.key)
        since, removed_at = self._book.life(drain_id)
        stamp = statement.stamp if statement is not None else None
        made = self._renderer.drain(drain, since=since, removed_at=removed_at, stamp=stamp)
        for finding in self._book.own_findings(drain_id):
            made += self._renderer.issue(finding, drain)
        for connection in self._book.connections(drain_id):
            made += self._renderer.connection(connection, drain)
        return by_reference(made, drain_id, drain.inserted_at)

    def _collector(self, collector_id: str) -> Bodies:
        use = self._book.collector(collector_id)
        if use is None:
            return {}
        served = self._book.drains_of(collector_id)
        drains = {drain_id: drain for drain_id in served if (drain := self._book.drain(drain_id)) is not None}
        for drain_id in drains:
            self._collectors_of.setdefault(drain_id, set()).add(collector_id)
        connections = [c for drain_id in sorted(drains) for c in self._connections(drain_id, collector_id)]
        statement = self._book.statement(use.collector.key)
        stamp = statement.stamp if statement is not None else None
        return by_reference(self._renderer.collector(use, connections, drains, stamp=stamp))

    def _connections(self, drain_id: str, collector_id: str) -> list[Connection]:
        return [c for c in self._book.connections(drain_id) if c.collector == collector_id]


def by_reference(
    resources: Iterable[Resource], drain: str | None = None, at: datetime | None = None
) -> Bodies:
    """Resources by `Type/id`; Provenance is rendered on read and left out."""
    return {each.reference: Shown(each, drain, at) for each in resources if each.type != "Provenance"}
