"""Generated journals through the pipeline: what must hold of any, however they are held in memory or read."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import pytest

from drainledger.convert.pipeline import convert
from drainledger.convert.report import Report, Reported
from drainledger.convert.settings import Emit, Settings
from tests.convert.test_convert import named, references
from tests.journals.books import line
from tests.journals.raw import Raw
from tests.journals.seeded import journal

RECEIVED = datetime(2026, 12, 1, tzinfo=UTC)
BEFORE = "1970-01-01T00:00:00Z"
SEEDS = range(40)


def converted(journal: Sequence[Raw], emit: Emit, **more: Any) -> tuple[bytes, list[Reported]]:
    told: list[Reported] = []
    settings = Settings(emit=emit, received_at=RECEIVED, source="ward", **more)
    return b"".join(convert(enumerate(map(line, journal), 1), settings, Report(told.append))), told


@pytest.mark.parametrize("seed", SEEDS)
def test_no_identity_comes_twice_and_no_reference_leads_nowhere(seed: int) -> None:
    made, _ = converted(journal(seed), "transaction")
    here: set[str] = set()
    for transaction in made.splitlines():
        entries = [entry["resource"] for entry in json.loads(transaction)["entry"]]
        assert here.isdisjoint(map(named, entries))
        here.update(map(named, entries))
        assert {target for entry in entries for target in references(entry)} <= here


@pytest.mark.parametrize("seed", SEEDS)
def test_what_waits_on_disk_is_what_waits_in_memory(seed: int) -> None:
    in_memory = converted(journal(seed), "resources")
    assert in_memory[0]
    assert converted(journal(seed), "resources", in_memory=20) == in_memory


@pytest.mark.parametrize("seed", SEEDS)
def test_an_ordered_file_gives_the_same_either_way(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # Batches of a few records: what can be let go of is, many times over.
    monkeypatch.setattr("drainledger.convert.ordered._BATCH", 7)
    ordered = in_order(journal(seed, size=120))
    streamed, told = converted(ordered, "resources", assume_ordered=True)
    late = {one.line for one in told if one.status == "late-record"}
    kept = [raw for number, raw in enumerate(ordered, 1) if number not in late]
    assert len(kept) > len(ordered) / 2
    assert sorted(streamed.splitlines()) == sorted(converted(kept, "resources")[0].splitlines())


def in_order(journal: Sequence[Raw]) -> list[Raw]:
    """By time; drains and collectors, which state none, first."""
    return sorted(
        journal, key=lambda raw: datetime.fromisoformat(str(raw.get("at") or raw.get("made_at") or BEFORE))
    )
