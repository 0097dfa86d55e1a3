"""The fold: one drain's nodes, in order, into ledger entries (DESIGN 4).

`Folder.fold` takes the state before a node to the state after it and the entry it leaves. It looks back only through
the state (and, for clinical rules, through entries), and ahead only as far as `nodes.NEAR`, so that a refold may start
shortly before a change and stop as soon as the state is what it was.
"""

from __future__ import annotations

from collections.abc import Sequence

from drainledger.domain.collectors import Rules
from drainledger.domain.entries import Connection, NodeEntry
from drainledger.domain.folding.changes import take_change
from drainledger.domain.folding.events import take_event
from drainledger.domain.folding.intervals import state_total
from drainledger.domain.folding.page import Page, Status
from drainledger.domain.folding.readings import take_reading
from drainledger.domain.nodes import Node
from drainledger.domain.records import Drain, Reading
from drainledger.domain.state import Bedside, Flow, State, Sums
from drainledger.domain.window_book import Period


def initial_state(drain: Drain, weight_plausible: bool) -> State:
    """The state of a drain before its first node."""
    weight = drain.weight if weight_plausible else None
    return State(Flow(), Sums(), Bedside(weight=weight, weighed_by=None if weight is None else drain.key))


class Folder:
    """Folds one drain; see Page for the arguments."""

    def __init__(
        self,
        drain: Drain,
        rules: Rules,
        nodes: Sequence[Node],
        connections: Sequence[Connection],
        joined: Sequence[Period] = (),
    ) -> None:
        self._page = Page(drain, rules, nodes, connections, joined)

    def begin(self) -> None:
        """To be called before a run of nodes, since which others may have come or gone."""
        self._page.begin()

    def fold(self, index: int, before: State) -> tuple[State, NodeEntry]:
        """The state after the node at `index`, and its entry."""
        page = self._page
        page.turn(index, before)
        status = _take(page, page.node)
        state_total(page)
        record = page.node.record
        entry = NodeEntry(
            key=record.key,
            drain=page.drain.key.id,
            at=page.node.order.at,
            record=record,
            status=status,
            corrected=page.node.corrected,
            stamp=page.node.stamp,
            connection=page.speaks_of,
            levels=tuple(page.levels),
            interval=page.interval,
            total=page.total,
            findings=tuple(page.findings),
            leak_free_hours=page.leak_free,
            last_leak=page.last_leak,
            dropped=page.dropped,
        )
        return State(page.flow, page.sums, page.bedside), entry


def _take(page: Page, node: Node) -> Status:
    record = node.record
    if isinstance(record, Reading):
        return take_reading(page, record)
    if node.placement is not None:
        return take_change(page, node.placement)
    return take_event(page, record)
