"""Records that can touch each other come out together, whatever their order, from memory or disk."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from drainledger.convert.folding import Folded, fold
from drainledger.convert.pipeline import Views
from drainledger.convert.report import Report
from drainledger.convert.spool import Entry, Spool
from drainledger.domain.records import Correction, Event, Key, Record
from drainledger.mapping import load_mappings
from tests.convert import make

#: Three groups: drains drn-1 and drn-5 share a patient and a unit, drn-2 is alone, and a unit belongs to nobody yet.
JOURNAL: dict[str, Record] = {
    "drain 5": make.drain("drn-5", patient="P-1"),
    "drain 1": make.drain("drn-1", patient="P-1"),
    "drain 2": make.drain("drn-2", patient="P-2"),
    "unit of 2": make.connected("ev-2", "drn-2", "col-2"),
    "unit of 5": make.connected("ev-5", "drn-5", "col-5"),
    "the unit of 2 itself": make.collector("col-2"),
    "a unit of nobody": make.collector("col-9"),
    "reading 1": make.reading("r-1", "drn-1"),
    "reading 2": make.reading("r-2", "drn-2"),
    "retraction of reading 2": make.retraction("x-2", "r-2"),
}
GROUPS = [
    {"drain 5", "drain 1", "unit of 5", "reading 1"},
    {"drain 2", "unit of 2", "the unit of 2 itself", "reading 2", "retraction of reading 2"},
    {"a unit of nobody"},
]


def grouped(journal: dict[str, Record], in_memory: int) -> list[list[str]]:
    name_of = {id(record): name for name, record in journal.items()}
    by_line = {name.encode(): record for name, record in journal.items()}
    with Spool(by_line.__getitem__, in_memory) as spool:
        for line, (name, record) in enumerate(journal.items(), 1):
            spool.add(line, record, name.encode())
        return [[name_of[id(entry.record)] for entry in group] for group in spool.groups()]


@pytest.mark.parametrize("in_memory", [0, 3, 1000], ids=["disk", "both", "memory"])
def test_the_groups_depend_on_what_is_there_not_on_when_it_came(in_memory: int) -> None:
    for seed in range(20):
        names = random.Random(seed).sample(sorted(JOURNAL), len(JOURNAL))
        shuffled = {name: JOURNAL[name] for name in names}
        groups = grouped(shuffled, in_memory)
        assert [set(group) for group in groups] == GROUPS
        for group in groups:
            assert group == [name for name in names if name in group], "in a group, the order of arrival"


@pytest.mark.parametrize("in_memory", [0, 1000], ids=["disk", "memory"])
def test_one_id_under_two_drains_is_judged_together(in_memory: int) -> None:
    twice: dict[str, Record] = {
        "first": make.reading("r-1", "drn-1"),
        "elsewhere": make.reading("r-9", "drn-3"),
        "second": make.reading("r-1", "drn-2"),
    }
    assert grouped(twice, in_memory) == [["first", "second"], ["elsewhere"]]


@pytest.mark.parametrize("in_memory", [0, 1000], ids=["disk", "memory"])
@pytest.mark.parametrize("target_first", [True, False])
def test_corrections_and_retractions_are_judged_with_their_targets(
    in_memory: int, target_first: bool
) -> None:
    target = make.reading("r-1", "drn-1")
    elsewhere = make.reading("r-1", "drn-2")
    moved = Correction(
        key=Key("correction", make.SOURCE, "c-1"), corrects=target.key, made_at=make.at(9), record=elsewhere
    )
    pair: list[tuple[str, Record]] = [("target", target), ("correction", moved)]
    assert grouped(dict(pair if target_first else pair[::-1]), in_memory) == [
        ["target", "correction"] if target_first else ["correction", "target"]
    ]
    unit: list[tuple[str, Record]] = [
        ("unit", make.collector("col-1")),
        ("gone", make.retraction("x-1", "col-1")),
    ]
    assert len(grouped(dict(unit if target_first else unit[::-1]), in_memory)) == 1


def test_a_replaced_unit_links_the_old_with_the_new() -> None:
    replaced = Event(
        key=Key("event", make.SOURCE, "ev-1"),
        kind="replaced",
        at=make.at(7),
        from_collector="col-old",
        collector="col-new",
    )
    journal: dict[str, Record] = {
        "old": make.collector("col-old"),
        "new": make.collector("col-new"),
        "change": replaced,
        "drain": make.drain("drn-1"),
        "connected": make.connected("ev-0", "drn-1", "col-old"),
    }
    assert grouped(journal, 1000) == [list(journal)]


@pytest.mark.parametrize("in_memory", [0, 30, 1000], ids=["disk", "both", "memory"])
def test_records_of_no_known_drain_are_never_together_in_memory(in_memory: int) -> None:
    """However many name one drain that nobody has told of: only what speaks of one record is judged together."""
    readings: dict[str, Record] = {
        f"reading {n:02}": make.reading(f"r-{n:02}", "drn-unheard-of") for n in range(40)
    }
    gone: dict[str, Record] = {"retraction": make.retraction("x-07", "r-07")}
    of_nothing: dict[str, Record] = {f"bare {n}": make.retraction(f"y-{n}", f"z-{n}") for n in range(9)}
    journal = {**of_nothing, **gone, **readings, "a known drain": make.drain("drn-9")}
    groups = grouped(journal, in_memory)
    assert groups[0] == ["a known drain"]
    assert max(map(len, groups)) == 2
    assert ["retraction", "reading 07"] in groups
    assert sum(map(len, groups)) == len(journal)
    backwards = dict(reversed(journal.items()))
    assert [set(group) for group in grouped(backwards, in_memory)] == [set(group) for group in groups]


def test_what_waits_for_no_known_drain_is_made_when_it_is_written() -> None:
    """The ledger shows it after the drains: nothing of it is kept until then."""
    made = []

    journal: list[Record] = [make.drain("drn-1"), *(make.retraction(f"x-{n}", "r-0") for n in range(5))]

    def folded() -> Iterator[Folded]:
        for n, record in enumerate(journal):
            made.append(n)
            yield fold([Entry(n, record)], load_mappings().rules, {}, Report(lambda _: None))

    views = Views(folded())
    assert [view["drain"] for view in views.drains()] == ["drn-1"]
    assert made == [0, 1]
    waiting = views.waiting()
    assert [next(waiting)["record"], next(waiting)["record"]] == ["x-0", "x-1"]
    assert made == [0, 1, 2]
    assert len(list(waiting)) == 3
