"""Holds accepted records until all have come, then gives them group by group (see `links`).

Up to a limit they wait in memory. Beyond it their lines go to a temporary SQLite database, which is deleted with its
connection, and are parsed again when their turn comes: memory then holds the names of drains, collectors and patients,
and one group at a time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from typing import NamedTuple

from drainledger.convert.links import Groups, idents, names
from drainledger.domain.records import Record

_BATCH = 10_000


class Entry(NamedTuple):
    """An accepted record and the number of the line that it came on."""

    line: int
    record: Record


class Spool:
    """`parse` turns a line that was accepted once into the same record again; `in_memory` is the limit. To be used as a
    context manager."""

    def __init__(self, parse: Callable[[bytes], Record], in_memory: int) -> None:
        self._parse = parse
        self._limit = in_memory
        self._groups = Groups()
        self._held: list[tuple[int, int, Record, bytes]] = []
        self._nodes: dict[str, int] = {}
        self._disk: _Disk | None = None
        self._count = 0

    def __len__(self) -> int:
        """How many records were added."""
        return self._count

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, *_: object) -> None:
        if self._disk:
            self._disk.close()

    def add(self, line: int, record: Record, raw: bytes) -> None:
        self._count += 1
        node = self._groups.tie(names(record))
        if self._disk:
            self._disk.add(line, node, raw, idents(record))
            return
        for ident in idents(record):
            self._groups.merge(node, self._nodes.setdefault(ident, node))
        self._held.append((line, node, record, raw))
        if len(self._held) > self._limit:
            self._spill()

    def groups(self) -> Iterator[list[Entry]]:
        """Every group once, by its rank; in a group the order of arrival."""
        if self._disk:
            self._disk.tie(self._groups.merge)
        ranks = self._groups.ranks()
        for _, members in groupby(self._ranked(ranks), key=itemgetter(0)):
            yield [entry for _, entry in members]

    def _ranked(self, ranks: dict[int, int]) -> Iterator[tuple[int, Entry]]:
        if self._disk:
            for rank, line, raw in self._disk.ranked(ranks):
                yield rank, Entry(line, self._parse(raw))
            return
        for line, node, record, _ in sorted(self._held, key=lambda held: (ranks[held[1]], held[0])):
            yield ranks[node], Entry(line, record)

    def _spill(self) -> None:
        self._disk = _Disk()
        for line, node, record, raw in self._held:
            self._disk.add(line, node, raw, idents(record))
        self._held.clear()
        self._nodes.clear()


class _Disk:
    """The temporary database: the lines, and which group spoke of which identity."""

    def __init__(self) -> None:
        self._db = sqlite3.connect("", isolation_level=None)  # an unnamed file, gone when closed
        self._db.executescript(
            """
            PRAGMA journal_mode = OFF;
            PRAGMA synchronous = OFF;
            CREATE TABLE lines (line INTEGER PRIMARY KEY, node INTEGER NOT NULL, raw BLOB NOT NULL);
            CREATE TABLE idents (ident TEXT NOT NULL, node INTEGER NOT NULL);
            CREATE TABLE ranks (node INTEGER PRIMARY KEY, rank INTEGER NOT NULL);
            BEGIN;
            """
        )
        self._lines: list[tuple[int, int, bytes]] = []
        self._idents: list[tuple[str, int]] = []

    def close(self) -> None:
        self._db.close()

    def add(self, line: int, node: int, raw: bytes, spoken_of: Iterable[str]) -> None:
        self._lines.append((line, node, raw))
        self._idents.extend((ident, node) for ident in spoken_of)
        if len(self._lines) >= _BATCH:
            self._flush()

    def tie(self, merge: Callable[[int, int], None]) -> None:
        """Merge the groups that spoke of one identity."""
        self._flush()
        rows = self._db.execute("SELECT ident, node FROM idents ORDER BY ident")
        for _, spoken in groupby(rows, key=itemgetter(0)):
            (_, first), *others = spoken
            for _, other in others:
                merge(first, other)

    def ranked(self, ranks: dict[int, int]) -> Iterator[tuple[int, int, bytes]]:
        """(rank, line number, line) in that order."""
        self._db.executemany("INSERT INTO ranks VALUES (?, ?)", ranks.items())
        yield from self._db.execute(
            "SELECT rank, line, raw FROM lines JOIN ranks USING (node) ORDER BY rank, line"
        )

    def _flush(self) -> None:
        self._db.executemany("INSERT INTO lines VALUES (?, ?, ?)", self._lines)
        self._db.executemany("INSERT INTO idents VALUES (?, ?)", self._idents)
        self._lines.clear()
        self._idents.clear()
