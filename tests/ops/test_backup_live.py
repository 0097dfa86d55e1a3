"""A backup taken while clients write, restored elsewhere: a whole state of the journal, with the same ledger."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.crash.journal import Journal
from tests.crash.ledgers import different, recomputed, shown
from tests.crash.load import Load, post_all
from tests.crash.service import drainledger, new_database, prepared, serving, settings
from tests.crash.stream import Batch, Name, Sent, mixed, records

JOURNALS = 40
SIZE = 40


def names(batches: list[Batch]) -> set[Name]:
    return {name for batch in batches for name in batch.names}


def journal_of(database: str) -> list[Name]:
    journal = Journal(database)
    try:
        return journal.names()[1]
    finally:
        journal.close()


def backed_up(database: str, load: Load, archive: Path) -> set[Name]:
    """Takes a backup while the clients go on; gives what had been answered before it began."""
    load.wait_for_answers(30)
    before = load.answered()
    drainledger("db", "backup", str(archive), environment=settings(database))
    assert len(load.answered()) > len(before), "nobody wrote while the backup was taken"
    return names(before)


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_a_backup_taken_while_writing_is_whole(engine: str, tmp_path: Path) -> None:
    here, there = (new_database(engine, tmp_path, name) for name in ("here", "there"))
    key = prepared(here)
    streams = [records(seed, SIZE) for seed in range(JOURNALS)]
    batches = mixed(random.Random(11), streams, largest=4)
    service = serving(here, tmp_path / "here.log")
    try:
        service.start()
        load = Load([service.base], key, batches)
        load.start()
        answered = backed_up(here, load, tmp_path / "archive")
        load.enough()
        assert load.end().refused == []
        assert service.stop() == 0
    finally:
        service.end()

    drainledger("db", "restore", str(tmp_path / "archive"), environment=settings(there))
    drainledger("db", "check", environment=settings(there))
    restored, source = journal_of(there), journal_of(here)
    assert restored == source[: len(restored)], "the backup is no state that the journal ever had"
    assert answered <= set(restored)
    goes_on_elsewhere(there, key, streams, batches, tmp_path)


def goes_on_elsewhere(
    database: str, key: str, streams: list[list[Sent]], batches: list[Batch], folder: Path
) -> None:
    """The restored one shows the ledger of what it holds, knows the same key, and takes the rest."""
    held = set(journal_of(database))
    sent = [record for stream in streams for record in stream]
    service = serving(database, folder / "there.log")
    try:
        service.start()
        ours = recomputed(record for record in sent if record.name in held)
        assert different(shown(service.base, key, ours), ours) == []
        post_all([service.base], key, batches)
        ours = recomputed(sent)
        assert different(shown(service.base, key, ours), ours) == []
    finally:
        service.end()
