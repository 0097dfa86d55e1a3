"""What one record can touch: the drains, collectors, patients and records that it names. Records that share a name are
converted together; nothing else need be in memory with them.

Where no record of a drain is among them, nothing is folded: each waits for itself. These are converted apart, only with
those that speak of the same record (a repetition, a correction, a retraction), for there may be any number of them.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from operator import itemgetter

from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Record,
    RecordKind,
    Retraction,
)
from drainledger.domain.statements import slot_of

#: ("drain", id), ("collector", id) or ("patient", system, value).
Name = tuple[str, ...]


def names(record: Record) -> Iterator[Name]:
    """The names that tie a record to others; none for a retraction, which names a record."""
    match record:
        case Drain():
            yield ("drain", record.id)
            yield ("patient", record.patient.system, record.patient.value)
            yield from (("drain", joined) for joined in record.joins)
        case Collector():
            yield ("collector", record.id)
        case Reading():
            yield ("drain", record.drain)
            yield from _collectors(record.collector)
        case Event():
            yield from (("drain", drain) for drain in (record.drain,) if drain is not None)
            yield from _collectors(record.collector, record.from_collector)
        case Correction():
            yield from names(record.record)
        case Retraction():
            return


def _collectors(*ids: str | None) -> Iterator[Name]:
    return (("collector", id_) for id_ in ids if id_ is not None)


def idents(record: Record) -> Iterator[str]:
    """The identity that a record takes, and those that it may speak of: two records with the same one are judged
    together, for the second can be a duplicate, a conflict, or the target of the first."""
    yield "\0".join(slot_of(record.key))
    match record:
        case Correction():
            yield "\0".join(slot_of(record.corrects))
        case Retraction(key=key, retracts=target):
            yield from ("\0".join(slot_of(Key(kind, key.source, target))) for kind in _RETRACTABLE)


_RETRACTABLE: tuple[RecordKind, ...] = ("drain", "collector", "reading")


class Sets:
    """Disjoint sets of numbers, 8 bytes each, halving paths on the way."""

    def __init__(self, size: int = 0) -> None:
        self._parent = array("q", range(size))

    def __len__(self) -> int:
        return len(self._parent)

    def new(self) -> int:
        """A set of its own."""
        self._parent.append(len(self._parent))
        return len(self._parent) - 1

    def merge(self, one: int, other: int) -> None:
        self._parent[self.root(one)] = self.root(other)

    def root(self, node: int) -> int:
        parent = self._parent
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node


class Groups:
    """Sets of names that merge as records tie them together, and which of them hold the record of a drain."""

    def __init__(self) -> None:
        self._sets = Sets()
        self._number: dict[Name, int] = {}
        self._with_drain: set[int] = set()

    def add(self, record: Record) -> int:
        """Merge the groups of all that a record names; a number of its group."""
        first, *others = [self._node(name) for name in names(record)] or [self._sets.new()]
        for other in others:
            self._sets.merge(first, other)
        if isinstance(record, Drain):
            self._with_drain.add(first)
        return first

    def merge(self, one: int, other: int) -> None:
        self._sets.merge(one, other)

    def ranks(self) -> dict[int, int]:
        """Every number whose group holds a drain -> the rank of that group, by its least drain id. It depends on the
        names alone, not on the order in which they came."""
        held = {self._sets.root(node) for node in self._with_drain}
        least: dict[int, Name] = {}
        for name, node in self._number.items():
            root = self._sets.root(node)
            if name[0] == "drain" and root in held and (root not in least or name < least[root]):
                least[root] = name
        rank = {root: place for place, root in enumerate(sorted(held, key=least.__getitem__))}
        found = ((node, rank.get(self._sets.root(node))) for node in range(len(self._sets)))
        return {node: place for node, place in found if place is not None}

    def _node(self, name: Name) -> int:
        node = self._number.get(name)
        if node is None:
            node = self._number[name] = self._sets.new()
        return node


def apart(spoken_of: Callable[[], Iterable[tuple[str, int]]], size: int) -> Iterator[tuple[int, int]]:
    """(place, rank) of the records at places below `size`, some more than once: those that speak of one identity have
    one rank, by the least identity among them. `spoken_of` gives (identity, place), sorted, as often as asked."""
    sets = Sets(size)
    for _, same in groupby(spoken_of(), key=itemgetter(0)):
        (_, first), *others = same
        for _, other in others:
            sets.merge(first, other)
    rank, count = array("q", [-1]) * size, 0
    for _, place in spoken_of():
        root = sets.root(place)
        if rank[root] < 0:
            rank[root], count = count, count + 1
        yield place, rank[root]
