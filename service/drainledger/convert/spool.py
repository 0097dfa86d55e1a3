"""Holds accepted records until all have come, then gives them group by group (see `links`).

Up to a limit they wait in memory. Beyond it their lines go to a temporary SQLite database, which is deleted with its
connection, and are parsed again when their turn comes: memory then holds the names of drains, collectors and patients,
some bytes a line, and one group at a time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from typing import NamedTuple

from drainledger.convert.links import Groups, apart, idents
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
        node = self._groups.add(record)
        if self._disk:
            self._disk.add(line, node, raw, idents(record))
            return
        for ident in idents(record):
            self._groups.merge(node, self._nodes.setdefault(ident, node))
        self._held.append((line, node, record, raw))
        if len(self._held) > self._limit:
            self._spill()

    def groups(self) -> Iterator[list[Entry]]:
        """Every group once, by its rank, those without a drain last; in a group the order of arrival."""
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
        without = [(line, record) for line, node, record, _ in self._held if node not in ranks]
        spoken_of = sorted((ident, at) for at, (_, record) in enumerate(without) for ident in idents(record))
        rank_of = dict(apart(lambda: spoken_of, len(without)))
        first = len(ranks)  # after every group with a drain
        ranked = [
            (ranks[node], Entry(line, record)) for line, node, record, _ in self._held if node in ranks
        ] + [(first + rank_of[at], Entry(line, record)) for at, (line, record) in enumerate(without)]
        yield from sorted(ranked, key=lambda one: (one[0], one[1].line))

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
            CREATE TABLE idents (ident TEXT NOT NULL, node INTEGER NOT NULL, line INTEGER NOT NULL);
            CREATE TABLE ranks (node INTEGER PRIMARY KEY, rank INTEGER NOT NULL);
            CREATE TABLE apart (line INTEGER PRIMARY KEY, rank INTEGER NOT NULL);
            BEGIN;
            """
        )
        self._lines: list[tuple[int, int, bytes]] = []
        self._idents: list[tuple[str, int, int]] = []
        self._last_line = 0

    def close(self) -> None:
        self._db.close()

    def add(self, line: int, node: int, raw: bytes, spoken_of: Iterable[str]) -> None:
        self._lines.append((line, node, raw))
        self._idents.extend((ident, node, line) for ident in spoken_of)
        self._last_line = max(self._last_line, line)
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
        self._db.executemany("INSERT OR IGNORE INTO apart VALUES (?, ?)", self._apart())
        for rank, line, raw in self._db.execute(
            "SELECT rank, line, raw FROM apart JOIN lines USING (line) ORDER BY rank, line"
        ):
            yield len(ranks) + rank, line, raw

    def _apart(self) -> Iterator[tuple[int, int]]:
        """(line number, rank) of the lines whose group holds no drain."""
        self._db.execute(
            "CREATE TABLE spoken AS SELECT ident, line FROM idents "
            "WHERE node NOT IN (SELECT node FROM ranks) ORDER BY ident, line"
        )
        (any_,) = self._db.execute("SELECT COUNT(*) FROM spoken").fetchone()
        if any_:
            yield from apart(lambda: self._db.execute("SELECT ident, line FROM spoken"), self._last_line + 1)

    def _flush(self) -> None:
        self._db.executemany("INSERT INTO lines VALUES (?, ?, ?)", self._lines)
        self._db.executemany("INSERT INTO idents VALUES (?, ?, ?)", self._idents)
        self._lines.clear()
        self._idents.clear()
