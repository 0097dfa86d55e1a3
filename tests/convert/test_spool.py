"""Records that can touch each other come out together, whatever their order, from memory or disk."""

from __future__ import annotations

import random

import pytest

from drainledger.convert.spool import Spool
from drainledger.domain.records import Correction, Event, Key, Record
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
    }
    assert grouped(journal, 1000) == [["old", "new", "change"]]
