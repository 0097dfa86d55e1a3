"""What a late record costs and what an ordered stream lets go of (DESIGN 7 'Folding')."""

from __future__ import annotations

from datetime import datetime

import pytest

from drainledger.domain.book import load
from drainledger.domain.entries import NodeEntry, Window
from drainledger.domain.fold import Folder
from drainledger.domain.records import Collector, Correction, Drain, Event, Key, Reading, Retraction
from drainledger.domain.state import State
from tests.journals.books import ledger_of, mappings, records_of
from tests.journals.raw import Raw, collector, connected, drain, instant, level, retraction
from tests.journals.seeded import journal

RULES = mappings().rules


@pytest.fixture
def folds(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Counts the nodes that are folded."""
    counted = [0]
    fold = Folder.fold

    def counting(self: Folder, index: int, before: State) -> tuple[State, NodeEntry]:
        counted[0] += 1
        return fold(self, index, before)

    monkeypatch.setattr(Folder, "fold", counting)
    return counted


def stay(hours: int) -> list[Raw]:
    raws = [drain(), collector("col-1"), connected("06:00")]
    return raws + [level(f"{hour // 24}+{hour % 24:02}:00", 2 * hour) for hour in range(7, hours)]


def cost_of_a_late_level(hours: int, folds: list[int]) -> tuple[int, int]:
    book = load(records_of(stay(hours)), RULES)
    folds[0] = 0
    middle = hours // 2
    late = level(f"{middle // 24}+{middle % 24:02}:30", 2 * middle + 1, id="late")
    for record in records_of([late]):
        book.add(record)
    changes = book.refold()
    return folds[0], len(changes.nodes) + len(changes.windows)


def test_a_late_level_that_telescopes_costs_the_same_in_a_long_history(folds: list[int]) -> None:
    short, long = cost_of_a_late_level(60, folds), cost_of_a_late_level(900, folds)
    assert short == long
    assert long[0] <= 8
    assert long[1] <= 4


def test_what_is_retracted_leaves_no_entry() -> None:
    book = load(records_of([*stay(12), retraction("r-0-0900", "12:00")]), RULES)
    assert book.entries(Key("reading", "ward", "r-0-0900")) == []
    assert [str(n.interval.output) for n in ledger_of(book, "drn-1").nodes if n.interval] == [
        "14",
        "2",
        "4",
        "2",
    ]


@pytest.mark.parametrize("seed", range(30))
def test_an_ordered_stream_settles_to_what_the_whole_gives(seed: int) -> None:
    """Corrections and retractions are left out, with what they concern: they do not come in order."""
    records = records_of(journal(seed, 80))
    amended = {r.corrects.id for r in records if isinstance(r, Correction)}
    amended |= {r.retracts for r in records if isinstance(r, Retraction)}
    things = [r for r in records if isinstance(r, Drain | Collector)]
    timed = [r for r in records if isinstance(r, Event | Reading) and r.key.id not in amended]
    expected = load([*things, *timed], RULES)
    stream = load(things, RULES)
    nodes: dict[tuple[str, Key], NodeEntry] = {}
    windows: dict[tuple[str, str, datetime], Window] = {}
    for number, record in enumerate(sorted(timed, key=lambda r: r.at)):
        stream.add(record)
        if number % 5 == 4:
            stream.refold()
            for settled in stream.settle(record.at):
                nodes |= {(settled.drain, entry.key): entry for entry in settled.nodes}
                windows |= {(settled.drain, w.name, w.start): w for w in settled.windows}
    stream.refold()
    for drain_id in expected.drain_ids():
        want, left = ledger_of(expected, drain_id), ledger_of(stream, drain_id)
        got = nodes | {(drain_id, entry.key): entry for entry in left.nodes}
        assert [got[(drain_id, entry.key)] for entry in want.nodes] == list(want.nodes)
        kept = windows | {(drain_id, w.name, w.start): w for w in left.windows}
        assert [kept[(drain_id, w.name, w.start)] for w in want.windows] == list(want.windows)
        assert left.connections == want.connections


def test_what_is_settled_is_let_go() -> None:
    book = load(records_of(stay(200)), RULES)
    before = len(ledger_of(book, "drn-1").nodes)
    settled = book.settle(instant("8+06:00"))
    assert sum(len(s.nodes) for s in settled) + len(ledger_of(book, "drn-1").nodes) == before
    assert len(ledger_of(book, "drn-1").nodes) < 60
