"""What a refold reports: what was, and what is; and what an ordered stream lets go of."""

from __future__ import annotations

from msgspec import Struct

from drainledger.domain.entries import Connection, NodeEntry, Window
from drainledger.domain.records import Key


class NodeChange(Struct, frozen=True):
    """What one record's entry in one drain's ledger was and is; None where there was or is none."""

    drain: str
    key: Key
    old: NodeEntry | None
    new: NodeEntry | None


class WindowChange(Struct, frozen=True):
    """What a charted window was and is."""

    drain: str
    old: Window | None
    new: Window | None


class ConnectionChange(Struct, frozen=True):
    """A drain's connections before and after."""

    drain: str
    old: tuple[Connection, ...]
    new: tuple[Connection, ...]


class Settled(Struct, frozen=True):
    """What one drain's ledger has let go of, in order: entries and closed windows in their last form."""

    drain: str
    nodes: list[NodeEntry]
    windows: list[Window]


class Changes(Struct, frozen=True):
    """What differs since the last refold. `drains` and `collectors` are those whose own statement changed."""

    nodes: list[NodeChange]
    windows: list[WindowChange]
    connections: list[ConnectionChange]
    drains: set[str]
    collectors: set[str]
