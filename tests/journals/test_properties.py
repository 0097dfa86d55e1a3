"""What holds of every journal, whatever is in it and in whatever order it comes (DESIGN 4, 5, issue 'Acceptance').

A plain run tries some dozens of journals for each property; `--deep` some thousands.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from decimal import Decimal
from itertools import pairwise

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings

from drainledger.domain.book import Book, load
from drainledger.domain.changes import NodeChange
from drainledger.domain.entries import Connection, DrainLedger, NodeEntry, Window
from drainledger.domain.records import Key, Record
from drainledger.domain.windows import rolling
from tests.journals.books import intervals, ledger_of, totals
from tests.journals.every_rule import EVERY_RULE
from tests.journals.strategies import journals

_encoder = msgspec.json.Encoder(order="deterministic")


def _view(book: Book) -> dict[tuple[str, ...], bytes]:
    """All that a book says, piece by piece and to the last digit: 40 and 40.0 differ here."""
    seen: dict[tuple[str, ...], object] = {("collectors",): book.collectors()}
    for record in book.records():
        seen[("standing", record.key.id)] = book.status(record.key)
    for ledger in _ledgers(book):
        drain = ledger.drain.id
        seen |= {(drain, node.key.id): node for node in ledger.nodes}
        seen |= {(drain, window.name, window.day): window for window in ledger.windows}
        order = [node.key for node in ledger.nodes]
        seen[(drain,)] = (order, msgspec.structs.replace(ledger, nodes=(), windows=()))
    return {name: _encoder.encode(piece) for name, piece in seen.items()}


def _same(one: Book, other: Book) -> None:
    found, wanted = _view(one), _view(other)
    differs = {
        name: (found.get(name), wanted.get(name))
        for name in found | wanted
        if found.get(name) != wanted.get(name)
    }
    assert differs == {}


def _shuffled(records: list[Record]) -> list[Record]:
    """Another order of arrival, a third of them twice; which one depends on the records alone."""
    rng = random.Random(_encoder.encode(records))
    return rng.sample(records, len(records)) + rng.sample(records, len(records) // 3)


def any_order_gives_the_same_ledger(records: list[Record]) -> None:
    _same(load(_shuffled(records), EVERY_RULE), load(records, EVERY_RULE))


def one_at_a_time_gives_the_same_ledger(records: list[Record]) -> None:
    order = _shuffled(records)
    book = Book(EVERY_RULE)
    for sent, record in enumerate(order, start=1):
        book.add(record)
        book.refold()
        _same(book, load(order[:sent], EVERY_RULE))


def changes_add_up_to_the_ledger(records: list[Record]) -> None:
    book = Book(EVERY_RULE)
    kept = _Kept()
    for record in _shuffled(records):
        book.add(record)
        kept.take(book)
    kept.compare(book)


class _Kept:
    """What somebody knows who sees nothing but the changes."""

    def __init__(self) -> None:
        self.nodes: dict[tuple[str, Key], NodeEntry] = {}
        self.windows: dict[tuple[str, str, str], Window] = {}
        self.connections: dict[str, tuple[Connection, ...]] = {}

    def take(self, book: Book) -> None:
        changes = book.refold()
        for node in changes.nodes:
            self._node(node)
        for window in changes.windows:
            some = window.new or window.old
            assert some is not None
            name = (window.drain, some.name, some.day)
            assert self.windows.pop(name, None) == window.old != window.new
            if window.new is not None:
                self.windows[name] = window.new
        for connection in changes.connections:
            assert self.connections.get(connection.drain, ()) == connection.old != connection.new
            self.connections[connection.drain] = connection.new

    def _node(self, change: NodeChange) -> None:
        assert self.nodes.pop((change.drain, change.key), None) == change.old != change.new
        if change.new is not None:
            self.nodes[(change.drain, change.key)] = change.new

    def compare(self, book: Book) -> None:
        for ledger in _ledgers(book):
            drain = ledger.drain.id
            assert {entry.key: entry for entry in ledger.nodes} == _of(drain, self.nodes)
            assert {(w.name, w.day): w for w in ledger.windows} == {
                n[1:]: w for n, w in self.windows.items() if n[0] == drain
            }
            assert ledger.connections == self.connections.get(drain, ())


def _of(drain: str, nodes: dict[tuple[str, Key], NodeEntry]) -> dict[Key, NodeEntry]:
    return {key: entry for (of, key), entry in nodes.items() if of == drain}


def _ledgers(book: Book) -> Iterable[DrainLedger]:
    return [ledger_of(book, drain) for drain in book.drain_ids()]


def a_total_never_falls_along_time(records: list[Record]) -> None:
    for ledger in _ledgers(load(records, EVERY_RULE)):
        for before, after in pairwise(totals(ledger)):
            assert before.at <= after.at
            assert before.total <= after.total
            assert before.since == after.since
            assert not (before.bound == "at-least" and after.bound == "exact")


def intervals_follow_each_other(records: list[Record]) -> None:
    """They never overlap; between two there is a gap only where nothing was connected or amounts leave one."""
    for ledger in _ledgers(load(records, EVERY_RULE)):
        opened = {connection.start for connection in ledger.connections}
        for before, after in pairwise(intervals(ledger)):
            assert before.end <= after.end
            if after.start is not None:
                assert before.end <= after.start <= after.end
                assert after.start == before.end or after.start in opened or after.levels == ()


def outputs_add_up_to_the_total(records: list[Record]) -> None:
    for ledger in _ledgers(load(records, EVERY_RULE)):
        output, irrigant, exact = Decimal(0), Decimal(0), True
        for node in ledger.nodes:
            if node.interval is not None:
                assert (node.interval.output is None) == (node.interval.bound == "unknown")
                assert node.interval.output is None or node.interval.output >= 0
                output += node.interval.output or 0
                irrigant += node.interval.irrigant
                exact = exact and node.interval.bound == "exact"
                assert node.total is not None
            if node.total is not None:
                assert node.total.total == output
                assert node.total.net == output - irrigant
                assert node.total.bound == ("exact" if exact else "at-least")


def ward_days_add_up_to_the_total(records: list[Record]) -> None:
    """Every interval is in one ward day, but for those of a tube while a Y joins it to another."""
    book = load(records, EVERY_RULE)
    joined = {tube for ledger in _ledgers(book) for tube in ledger.drain.joins}
    for ledger in _ledgers(book):
        days = [window for window in ledger.windows if window.name == "ward-day"]
        for before, after in pairwise(days):
            assert before.end <= after.start
        if ledger.drain.id not in joined:
            assert sum(day.total for day in days) == sum(i.output or 0 for i in intervals(ledger))
            assert sum(len(day.intervals) for day in days) == len(intervals(ledger))


def rolling_windows_adjoin(records: list[Record]) -> None:
    """Two windows side by side hold what the one over both does; each is rounded once, to 0.1 mL."""
    for ledger in _ledgers(load(records, EVERY_RULE)):
        ends = sorted({interval.end for interval in intervals(ledger)})
        for start, middle, end in zip(ends, ends[1:], ends[2:], strict=False):
            split = middle + (end - middle) / 3
            parts = rolling(ledger.nodes, start, split).total + rolling(ledger.nodes, split, end).total
            assert abs(rolling(ledger.nodes, start, end).total - parts) <= Decimal("0.1")


PROPERTIES = (
    any_order_gives_the_same_ledger,
    one_at_a_time_gives_the_same_ledger,
    changes_add_up_to_the_ledger,
    a_total_never_falls_along_time,
    intervals_follow_each_other,
    outputs_add_up_to_the_total,
    ward_days_add_up_to_the_total,
    rolling_windows_adjoin,
)


@pytest.mark.parametrize("examples", [60, pytest.param(3000, marks=pytest.mark.deep)])
@pytest.mark.parametrize("holds", PROPERTIES, ids=lambda holds: holds.__name__.replace("_", "-"))
def test_of_every_journal(holds: Callable[[list[Record]], None], examples: int) -> None:
    quiet = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example]
    settings(max_examples=examples, suppress_health_check=quiet)(given(journals())(holds))()
