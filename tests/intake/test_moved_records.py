"""A correction may move a record to another drain: what is loaded for either drain holds the record and its correction,
whatever is in memory already and whoever loads it (DESIGN 9)."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from drainledger.intake.views import Views
from tests.acceptance.converted import lines_of
from tests.intake.service import TENANT, Clock, latest, new_intake, renderer_of, running, send, sqlite_url
from tests.intake.test_same_as_convert import batches, by_convert, comparable, is_adapter
from tests.journals.books import mappings, outputs
from tests.journals.raw import Raw, collector, connected, drain, event, level, millilitres
from tests.postgres import new_database

SETUP = [
    drain(),
    drain("drn-2"),
    collector("col-1"),
    collector("col-2"),
    connected("06:00"),
    event("connected", "06:00", drain="drn-2", collector="col-2", start_level=0, id="k2"),
]
WRONG = level("07:00", 100, drain="drn-2")
MOVED: Raw = {
    "record": "correction",
    "id": "c1",
    "corrects": WRONG["id"],
    "made_at": "2026-03-02T09:00:00+00:00",
    "reading": {"drain": "drn-1", "at": WRONG["at"], "level": millilitres(100)},
}


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_a_reading_that_was_moved_is_counted_once_after_a_restart(engine: str, tmp_path: Path) -> None:
    """Of 150 mL at 08:00, 100 had come by 07:00: the next hour is 50, not 150 again."""
    url = sqlite_url(tmp_path) if engine == "sqlite" else new_database()
    with running(url) as (store, intake):
        send(intake, *SETUP, WRONG)
        send(intake, MOVED)
        views = Views(store, mappings().rules, renderer=renderer_of)
        seen = views.ledger(TENANT, "drn-1")
        assert seen is not None
        assert outputs(seen[0]) == ["100"]
        with closing(new_intake(store)) as restarted:
            send(restarted, level("08:00", 150))
        values = {
            resource["id"]: str(resource["valueQuantity"]["value"])
            for reference, resource in latest(store).items()
            if reference.endswith(".interval-output") and "valueQuantity" in resource
        }
    assert sorted(values.values()) == ["100", "50"]


def test_a_reader_sees_what_a_correction_moved_before_it_came(tmp_path: Path) -> None:
    """The correction is read with its new drain, and what it corrects names the other one alone."""
    with running(sqlite_url(tmp_path)) as (store, intake), closing(new_intake(store)) as other:
        views = Views(store, mappings().rules, renderer=renderer_of)
        send(intake, MOVED)
        assert views.ledger(TENANT, "drn-1") is None
        send(other, WRONG)
        views.ledger(TENANT, "drn-1")
        send(intake, *SETUP)
        for reader in (views, Views(store, mappings().rules, renderer=renderer_of)):
            seen = reader.ledger(TENANT, "drn-1")
            assert seen is not None
            assert outputs(seen[0]) == ["100"]


def with_moves(lines: Sequence[bytes], seed: int) -> list[bytes]:
    """The journal, and corrections that move some of its readings to another drain."""
    rng = random.Random(seed)
    records = [json.loads(line) for line in lines]
    drains = [each["id"] for each in records if each["record"] == "drain"]
    readings = [each for each in records if each["record"] == "reading"]
    moves = [_move(each, number, drains, rng) for number, each in enumerate(rng.sample(readings, 5))]
    return [*lines, *(json.dumps(move).encode() for move in moves)]


def _move(reading: dict[str, Any], number: int, drains: Sequence[str], rng: random.Random) -> dict[str, Any]:
    content = {name: value for name, value in reading.items() if name not in ("record", "id", "collector")}
    return {
        "record": "correction",
        "id": f"move-{number}",
        "corrects": reading["id"],
        "made_at": f"2026-06-01T0{number}:00:00+00:00",
        "reading": content | {"drain": rng.choice(drains)},
    }


@pytest.mark.parametrize("seed", range(6))
def test_a_restart_before_every_batch_changes_nothing(seed: int, tmp_path: Path) -> None:
    lines = with_moves(lines_of(seed, 40), seed)
    clock = Clock()
    with running(sqlite_url(tmp_path)) as (store, _):
        for batch in batches(lines, seed):
            with closing(new_intake(store, clock=clock)) as restarted:
                send(restarted, *batch)
        ours = comparable(latest(store))
        views = Views(store, mappings().rules, renderer=renderer_of)
        for each in views.drains(TENANT, "", 100)[0]:
            known = views.ledger(TENANT, each.drain.id, known_at=clock())
            now = views.ledger(TENANT, each.drain.id)
            assert known is not None
            assert now is not None
            assert known[0] == now[0]
    theirs = {
        reference: content
        for reference, content in comparable(by_convert(lines)).items()
        if not is_adapter(content)
    }
    assert ours == theirs
