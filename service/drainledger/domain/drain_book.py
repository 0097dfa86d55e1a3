"""One drain's ledger, kept up to date: nodes in order, refolded from shortly before a change to where nothing differs.

What is late costs as much as what depends on it: a level that telescopes stops at the next anchor, whatever the
length of the history (DESIGN 7 'Folding'). Each node keeps the state after it, running sums included, so that no
prefix need be added up again.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from drainledger.domain.attention import reach
from drainledger.domain.changes import NodeChange, WindowChange
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import (
    Connection,
    DrainLedger,
    Finding,
    NodeEntry,
    Window,
)
from drainledger.domain.findings import make_finding
from drainledger.domain.fold import Folder, initial_state
from drainledger.domain.folding.events import weight_range
from drainledger.domain.nodes import FINAL_WITHIN, NEAR, Node
from drainledger.domain.numbers import CHARTED_AGAIN
from drainledger.domain.order import READING, READING_OF_NEW_COLLECTOR, Order, event_order
from drainledger.domain.records import Drain, Event, Key, Reading
from drainledger.domain.state import State
from drainledger.domain.statements import InForce
from drainledger.domain.topology import Judged, Placement
from drainledger.domain.window_book import Frame, Period, WindowBook

#: How many instants with a level before a change may look as far as the change: one that is judged by the next level,
#: one before it that is judged by which of several of that one's counts, and one before that may be judged by another
#: reading of the change's own instant.
_LOOK_BACK = 3


class DrainBook:
    """All records of one drain id, its own statement included once it is known."""

    def __init__(self, drain_id: str, rules: Rules) -> None:
        self.id = drain_id
        self.statement: InForce | None = None
        self.connections: tuple[Connection, ...] = ()
        self.held = 0
        self._rules = rules
        self._nodes: list[Node] = []
        self._orders: list[Order] = []
        self._by_key: dict[Key, Node] = {}
        self._low: Order | None = None
        self._high: Order | None = None
        self._all_dirty = False
        self._joined: tuple[Period, ...] = ()
        self._openings: frozenset[tuple[datetime, str]] = frozenset()
        self._windows = WindowBook(drain_id, self._nodes, self._orders)
        self._removed_entries: dict[Key, NodeEntry] = {}
        self._folder: Folder | None = None
        self._before: State | None = None
        self._settled_judged: Judged | None = None
        self._settled: Order | None = None
        #: The instant of the first record, once that is let go of.
        self._began: datetime | None = None
        #: When the drain was taken out, once that record is let go of.
        self._removed_at: datetime | None = None
        self._as_of: datetime | None = None

    # What is asked of it

    @property
    def drain(self) -> Drain | None:
        """The drain's statement in force, None while it is unknown or retracted."""
        record = self.statement.record if self.statement is not None else None
        return record if isinstance(record, Drain) else None

    @property
    def is_dirty(self) -> bool:
        return self._all_dirty or self._low is not None or bool(self._removed_entries)

    def entry(self, key: Key) -> NodeEntry | None:
        """The entry of a record, None where it has none in this drain."""
        node = self._by_key.get(key)
        return node.entry if node is not None else None

    def holds(self, key: Key) -> bool:
        return key in self._by_key

    def keys(self) -> list[Key]:
        """The records of this drain, in order."""
        return [node.record.key for node in self._nodes]

    def ledger(self) -> DrainLedger | None:
        """The whole ledger; None while the drain's own statement is unknown."""
        drain = self.drain
        if drain is None or self.statement is None:
            return None
        entries = tuple(node.entry for node in self._nodes if node.entry is not None)
        return DrainLedger(
            drain=drain,
            corrected=self.statement.corrected,
            connections=self.connections,
            nodes=entries,
            windows=self._windows.all(),
            findings=self.own_findings(),
            held=self.held,
            waiting=sum(entry.status == "waiting" for entry in entries),
            as_of=self.as_of,
        )

    @property
    def as_of(self) -> datetime | None:
        """The instant as of which windows are open or closed: the drain's latest record, or a later tick."""
        last = self._orders[-1].at if self._orders else None
        known = [at for at in (last, self._as_of) if at is not None]
        return max(known, default=None)

    def life(self) -> tuple[datetime | None, datetime | None]:
        """When the drain first gave output that the ledger knows of, and when it was taken out."""
        last = self._nodes[-1].after if self._nodes else self._before
        if last is None:
            return None, None
        return last.sums.since, _removal(self._nodes) or self._removed_at

    # What changes it

    def set_statement(self, statement: InForce | None) -> None:
        """The drain's own record came, went or changed: everything is judged again."""
        self.statement = statement
        self._folder = None
        self._all_dirty = True

    def set_rules(self, rules: Rules) -> None:
        """The version by which the drain is judged while it has no connection."""
        if rules is not self._rules:
            self._rules = rules
            self._folder = None
            self._all_dirty = True

    def put(self, statement: InForce) -> None:
        """A reading, or an event that changes no connection."""
        record = statement.record
        assert isinstance(record, Event | Reading)
        self.drop(record.key)  # a correction can make another kind of event of a change
        self._insert(Node(self._place(record), record, statement.corrected, statement.stamp or record.at))

    def drop(self, key: Key) -> None:
        """The record does not hold for this drain any more."""
        node = self._by_key.pop(key, None)
        if node is None:
            return
        index = bisect_left(self._orders, node.order)
        while self._nodes[index] is not node:
            index += 1
        del self._nodes[index], self._orders[index]
        self._mark(node.order)
        if node.entry is not None:
            self._removed_entries.setdefault(key, node.entry)

    def tick(self, at: datetime) -> None:
        """Time went by with no record: windows close as of `at`."""
        self._as_of = at if self._as_of is None else max(self._as_of, at)

    def set_topology(
        self,
        connections: tuple[Connection, ...],
        placements: Iterable[tuple[Placement, InForce]],
    ) -> None:
        """Which chamber the drain feeds when, and what each change means for it."""
        wanted = {
            placement.event.key: (placement, statement)
            for placement, statement in placements
            if self._settled is None or _order_of(placement) > self._settled
        }
        judged_first = self._first_judged()
        for key, node in list(self._by_key.items()):
            if node.placement is not None and key not in wanted:
                self.drop(key)
        for key, (placement, statement) in wanted.items():
            known = self._by_key.get(key)
            stamp = statement.stamp or placement.event.at
            wanted_as = (placement, statement.corrected, stamp)
            if known is not None and (known.placement, known.corrected, known.stamp) == wanted_as:
                continue
            self.drop(key)
            self._insert(Node(_order_of(placement), placement.event, statement.corrected, stamp, placement))
        self._set_connections(connections, [placement for placement, _ in wanted.values()])
        if self._first_judged() is not judged_first:
            # The first connection's rules judge the drain's own weight and its windows.
            self._folder = None
            self._all_dirty = True

    def set_joined(self, joined: tuple[Period, ...]) -> None:
        """The periods in which a Y led this tube into another drain's chamber."""
        if joined != self._joined:
            self._joined = joined
            self._folder = None
            self._all_dirty = True

    def settle(self, before: datetime) -> tuple[list[NodeEntry], list[Window]]:
        """Lets go of what can't change if nothing earlier than `before` comes or is changed, and answers it in order.

        Kept are the nodes that a later one may look back to and those of windows that one may still touch, with the
        node before: its state tells of a clamp that reaches in.
        """
        if self.is_dirty:
            return [], []
        until = before - NEAR
        earliest = min([until - reach(self._rules_in_force()), *self._windows.needed_since(until)])
        windows = self._windows.settle(until)
        cut = bisect_left(self._orders, earliest, key=lambda order: order.at) - 1
        if cut <= 0:
            return [], windows
        self._settled_judged = self._first_judged()
        self._before = self._nodes[cut - 1].after
        self._began = self._began or self._orders[0].at
        gone = self._nodes[:cut]
        self._removed_at = _removal(gone) or self._removed_at
        del self._nodes[:cut], self._orders[:cut]
        for node in gone:
            del self._by_key[node.record.key]
        self._settled = gone[-1].order
        return [node.entry for node in gone if node.entry is not None], windows

    def refold(self) -> tuple[list[NodeChange], list[WindowChange]]:
        """Folds what became dirty; answers what differs from the last time."""
        gone, self._removed_entries = self._removed_entries, {}
        if self.drain is None:
            return self._unfold(gone), self._windows.drop()
        changes = self._fold(gone)
        self._low = self._high = None
        self._all_dirty = False
        return changes, self._rewindow(changes)

    # Nodes

    def _place(self, record: Event | Reading) -> Order:
        if isinstance(record, Event):
            return event_order(record)
        names_new = record.collector is not None and (record.at, record.collector) in self._openings
        rank = READING_OF_NEW_COLLECTOR if names_new else READING
        return Order(record.at, rank, record.key.id, record.key.source)

    def _insert(self, node: Node) -> None:
        # Records mostly come in order: the end is tried first.
        if not self._orders or node.order > self._orders[-1]:
            self._orders.append(node.order)
            self._nodes.append(node)
        else:
            index = bisect_right(self._orders, node.order)
            self._orders.insert(index, node.order)
            self._nodes.insert(index, node)
        self._by_key[node.record.key] = node
        self._mark(node.order)

    def _mark(self, order: Order) -> None:
        if self._low is None or order < self._low:
            self._low = order
        if self._high is None or order > self._high:
            self._high = order

    def _set_connections(self, connections: tuple[Connection, ...], placements: Sequence[Placement]) -> None:
        openings = frozenset(
            (p.event.at, p.opened.collector)
            for p in placements
            if p.opened is not None and not p.tip and _order_of(p).rank > READING
        )
        if (connections, openings) == (self.connections, self._openings):
            return
        named = {c.collector for c in set(connections) ^ set(self.connections)}
        # A reading's place depends on whether its unit is opened at its instant by a change.
        named |= {collector for _, collector in openings ^ self._openings}
        self.connections, self._openings = connections, openings
        self._folder = None
        for node in [n for n in self._nodes if isinstance(n.record, Reading) and n.record.collector in named]:
            if self._place(node.record) != node.order:
                self.drop(node.record.key)
                self._insert(Node(self._place(node.record), node.record, node.corrected, node.stamp))
            else:
                self._mark(node.order)

    # Folding

    def _unfold(self, gone: dict[Key, NodeEntry]) -> list[NodeChange]:
        """Without the drain's own record nothing can be said: all entries go."""
        for node in self._nodes:
            if node.entry is not None:
                gone.setdefault(node.record.key, node.entry)
            node.entry = node.after = None
        self._all_dirty = True
        return [NodeChange(self.id, key, entry, None) for key, entry in gone.items()]

    def _start_index(self) -> int:
        """Where to begin so that every node that may look as far as the first change is judged again."""
        if self._all_dirty or self._low is None:
            return 0
        start = self._change_before(self._low)
        seen_from = min(self._low.at, self._orders[start].at) if start < len(self._orders) else self._low.at
        earliest = self._low.at - NEAR
        instants: set[datetime] = set()
        while start > 0:
            node = self._nodes[start - 1]
            if node.order.at < earliest:
                break
            if _is_level(node) and node.order.at < seen_from:
                instants.add(node.order.at)
                if len(instants) > _LOOK_BACK:
                    break
            start -= 1
        return start

    def _change_before(self, low: Order) -> int:
        """The index of the first change that may look for the last level of its unit at `low`, else that of `low`."""
        index = start = bisect_left(self._orders, low)
        while index > 0 and self._orders[index - 1].at >= low.at - FINAL_WITHIN:
            index -= 1
            placement = self._nodes[index].placement
            if placement is not None and placement.closed is not None:
                start = index
        return start

    def _fold(self, gone: dict[Key, NodeEntry]) -> list[NodeChange]:
        if not self.is_dirty and not gone:
            return []
        index = self._start_index()
        settled = self._settled_index()
        folder = self._ensure_folder()
        folder.begin()
        state = self._nodes[index - 1].after if index else self._initial()
        assert state is not None
        looked_back = reach(self._rules_in_force())
        changes: list[NodeChange] = []
        while index < len(self._nodes):
            node = self._nodes[index]
            state, entry = folder.fold(index, state)
            old = node.entry if node.entry is not None else gone.pop(entry.key, None)
            if old != entry:
                if looked_back:
                    # Rules look back on this entry from as far as they reach.
                    settled = max(settled, self._index_after(node.order.at + looked_back))
                changes.append(NodeChange(self.id, entry.key, old, entry))
                node.entry = entry
            elif node.entry is None:
                node.entry = old
            unchanged = state == node.after
            node.after = state
            index += 1
            if unchanged and index > settled:
                break
        changes.extend(NodeChange(self.id, key, entry, None) for key, entry in gone.items())
        return changes

    def _settled_index(self) -> int:
        """The index past which an unchanged state means that nothing later changes.

        Not before the end of the last change's instant, whose readings are judged beside each other, and the node after
        it: what went before that one may be gone. Nor while the same act may be charted again.
        """
        if self._all_dirty or self._high is None:
            return len(self._nodes)
        return self._index_after(self._high.at + max(reach(self._rules_in_force()), CHARTED_AGAIN))

    def _index_after(self, at: datetime) -> int:
        return bisect_right(self._orders, at, key=lambda order: order.at)

    def _ensure_folder(self) -> Folder:
        drain = self.drain
        assert drain is not None
        if self._folder is None:
            self._folder = Folder(drain, self._rules_in_force(), self._nodes, self.connections, self._joined)
        return self._folder

    def _rules_in_force(self) -> Rules:
        """Windows and rules by the version in force when the drain's first connection was journaled."""
        judged = self._first_judged()
        return judged.rules if judged is not None else self._rules

    def _first_judged(self) -> Judged | None:
        if self._settled_judged is not None:
            return self._settled_judged
        for node in self._nodes:
            if node.placement is not None and node.placement.judged is not None:
                return node.placement.judged
        return None

    def _initial(self) -> State:
        drain = self.drain
        assert drain is not None
        if self._before is not None:
            return self._before
        low, high = weight_range(self._first_judged())
        return initial_state(drain, drain.weight is not None and low <= drain.weight <= high)

    def own_findings(self) -> tuple[Finding, ...]:
        """Findings about the drain's own record."""
        drain = self.drain
        if drain is None:
            return ()
        low, high = weight_range(self._first_judged())
        at = drain.inserted_at or self._began or (self._orders[0].at if self._orders else None)
        if drain.weight is None or low <= drain.weight <= high or at is None:
            return ()
        zone = ZoneInfo(drain.time_zone)
        facts = {"level": drain.weight}
        return (make_finding("weight-unlikely", drain.key, at, zone, self._rules_in_force(), (), facts),)

    def _rewindow(self, changes: Sequence[NodeChange]) -> list[WindowChange]:
        drain = self.drain
        assert drain is not None
        last = self._nodes[-1].after if self._nodes else None
        removed = last is not None and last.flow.removed
        frame = Frame(ZoneInfo(drain.time_zone), self._rules_in_force(), self.as_of, removed, self._joined)
        return self._windows.update(changes, frame)


def _removal(nodes: Sequence[Node]) -> datetime | None:
    """The last instant at which these took the drain out."""
    placements = (node.placement for node in reversed(nodes) if node.placement is not None)
    return next((p.event.at for p in placements if p.event.kind == "removed" and p.status == "used"), None)


def _order_of(placement: Placement) -> Order:
    return placement.order or event_order(placement.event)


def _is_level(node: Node) -> bool:
    """Whether the last fold took the node for a level of its connection (set aside or not)."""
    if node.entry is None:
        return False
    return any(m.part == "" and m.why in _JUDGED for m in node.entry.levels)


#: Why the last fold did not use what it took for a level. One that is `charted-already` is not among them: nothing is
#: judged by it, so that it must not hide what was read before it.
_JUDGED = (None, "suspected-misread", "read-twice", "readings-disagree")
