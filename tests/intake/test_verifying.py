"""`db check --resources`: the stored resources against the journal folded anew."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import delete, select

from drainledger.convert.settings import BASE
from drainledger.fhir import Renderer
from drainledger.intake.refolding import OtherIds
from drainledger.intake.verifying import differing
from drainledger.store.schema import journal, journal_names
from drainledger.store.store import Store
from tests.acceptance.converted import lines_of
from tests.intake.service import TENANT, new_intake, renderer_of, running, send, sqlite_url
from tests.intake.test_moved_records import MOVED, SETUP, WRONG, with_moves
from tests.intake.test_same_as_convert import batches
from tests.journals.books import mappings
from tests.journals.raw import level, retraction
from tests.postgres import new_database


def faults(store: Store) -> list[str]:
    return [str(one) for one in differing(store, mappings().rules, renderer_of(TENANT), TENANT)]


@pytest.mark.parametrize("seed", range(6))
def test_what_intake_wrote_is_what_the_journal_gives(seed: int, tmp_path: Path) -> None:
    lines = with_moves(lines_of(seed, 40), seed)
    with running(sqlite_url(tmp_path)) as (store, intake):
        for batch in batches(lines, seed):
            send(intake, *batch)
        assert faults(store) == []


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_every_way_to_differ_is_told(engine: str, tmp_path: Path) -> None:
    """What was written by a journal of which a part is then forgotten: a reading, a retraction, a correction."""
    url = sqlite_url(tmp_path) if engine == "sqlite" else new_database()
    with running(url) as (store, intake):
        send(intake, *SETUP, WRONG, MOVED, level("08:00", 150), level("09:00", 160))
        assert faults(store) == []
        forget(store, "c1")
        told = faults(store)
        assert any(one.endswith("interval-output is not what the journal gives") for one in told)
        forget(store, "r-0900")
        assert any(one.endswith("stands, and the journal does not give it") for one in faults(store))


def test_a_resource_that_was_never_written_is_told(tmp_path: Path) -> None:
    with running(sqlite_url(tmp_path)) as (store, intake):
        send(intake, *SETUP, level("08:00", 150))
        with closing(new_intake(store)) as other:
            send(other, retraction("r-0800", "09:00"))
        assert faults(store) == []
        forget(store, "x-r-0800")
        assert any(one.endswith("is not what the journal gives") for one in faults(store))


def forget(store: Store, record_id: str) -> None:
    with store.database.write() as connection:
        seqs = select(journal.c.seq).where(journal.c.record_id == record_id)
        connection.execute(delete(journal_names).where(journal_names.c.seq.in_(seqs)))
        connection.execute(delete(journal).where(journal.c.record_id == record_id))


def test_other_settings_are_told_instead_of_a_fault_for_everything(tmp_path: Path) -> None:
    with running(sqlite_url(tmp_path)) as (store, intake):
        send(intake, *SETUP, level("08:00", 150))
        other = Renderer(mappings().codes, base=BASE, tenant=TENANT, patient_secret=b"another")
        with pytest.raises(OtherIds):
            list(differing(store, mappings().rules, other, TENANT))
