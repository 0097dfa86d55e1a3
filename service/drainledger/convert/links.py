"""What one record can touch: the drains, collectors, patients and records that it names. Records that share a name are
converted together; nothing else need be in memory with them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

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

#: ("drain", id), ("collector", id) or ("patient", system, value); or, for a retraction, the key of itself.
Name = tuple[str, ...]


def names(record: Record) -> Iterator[Name]:
    """The names that tie a record to others; at least one."""
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
            yield tuple(record.key)


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


class Groups:
    """Sets of names that merge as records tie them together (disjoint sets, halving paths on the way)."""

    def __init__(self) -> None:
        self._number: dict[Name, int] = {}
        self._parent: list[int] = []

    def tie(self, tied: Iterable[Name]) -> int:
        """Merge the groups of all names; a number of the group, good for `root`."""
        first, *others = [self._node(name) for name in tied]
        for other in others:
            self.merge(first, other)
        return first

    def merge(self, one: int, other: int) -> None:
        self._parent[self.root(one)] = self.root(other)

    def root(self, node: int) -> int:
        parent = self._parent
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    def ranks(self) -> dict[int, int]:
        """Every number -> the rank of its group: by its least drain id, then least collector id, then the rest. It
        depends on the names alone, not on the order in which they came."""
        least: dict[int, tuple[int, Name]] = {}
        for name, node in self._number.items():
            root, key = self.root(node), (_ORDER.get(name[0], len(_ORDER)), name)
            if root not in least or key < least[root]:
                least[root] = key
        rank = {root: place for place, root in enumerate(sorted(least, key=least.__getitem__))}
        return {node: rank[self.root(node)] for node in range(len(self._parent))}

    def _node(self, name: Name) -> int:
        node = self._number.get(name)
        if node is None:
            node = self._number[name] = len(self._parent)
            self._parent.append(node)
        return node


_ORDER = {"drain": 0, "collector": 1}
