"""Databases and backups of older releases. `archives/schema-NNNN` was written by the release that had that schema: a
short journal of two tenants, with held records in every state, keys, audit and deliveries."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from drainledger.domain.records import Identifier
from drainledger.store import backup as backups
from drainledger.store.archive import open_archive
from drainledger.store.backup import backup, restore
from drainledger.store.checking import check
from drainledger.store.engine import Database
from drainledger.store.errors import SchemaBehind
from drainledger.store.migrations import known_revisions, upgrade
from drainledger.store.schema import HEAD
from drainledger.store.store import Store
from tests.intake.service import TENANT, latest, new_intake, renderer_of, send
from tests.intake.test_same_as_convert import by_convert, comparable, is_adapter
from tests.journals.books import line
from tests.journals.raw import collector, connected, drain, level
from tests.store.test_backup import contents, unpacked

ARCHIVES = Path(__file__).parent / "archives"
OLDER = sorted(known_revisions() - {HEAD})
SECOND = drain("drn-2", patient={"system": "https://ward.example/mrn", "value": "P-2"})
#: What the journal of every archive holds, and one record more.
JOURNAL = (
    *(drain(), SECOND, collector("col-1"), connected("06:00")),
    *(level("07:00", 40), level("07:30", 60), level("08:00", 90), level("09:00", 100)),
)
MORE = level("10:00", 130)


def test_there_is_an_archive_of_every_schema() -> None:
    assert [path.name for path in sorted(ARCHIVES.iterdir())] == [f"schema-{each}" for each in OLDER]


def fill_as_it_was(url: str, schema: str) -> None:
    """The tables of an older release with the rows that it wrote."""
    upgrade(url, schema)
    database = Database(url)
    with database.write() as connection, open_archive(ARCHIVES / f"schema-{schema}") as archive:
        for table, rows in archive.rows():
            backups._insert(connection, table, archive.columns[table], rows)
    database.close()


@pytest.mark.parametrize("schema", OLDER)
def test_an_older_backup_is_restored_and_upgraded(schema: str, empty_url: str) -> None:
    manifest = restore(ARCHIVES / f"schema-{schema}", empty_url)
    assert manifest.schema == schema
    assert all(manifest.rows.values()), "every table was tried"
    assert_goes_on(empty_url, schema)


@pytest.mark.parametrize("schema", OLDER)
def test_a_populated_older_database_is_upgraded(schema: str, empty_url: str) -> None:
    fill_as_it_was(empty_url, schema)
    with pytest.raises(SchemaBehind, match=f"{schema}.*db upgrade"):
        Store.open(empty_url)
    upgrade(empty_url)
    assert_goes_on(empty_url, schema)


@pytest.mark.parametrize("schema", OLDER)
def test_upgraded_and_restored_are_the_same(
    schema: str, empty_url: str, tmp_path: Path, engine: str, new_url: Any
) -> None:
    fill_as_it_was(empty_url, schema)
    upgrade(empty_url)
    other = new_url(engine)
    restore(ARCHIVES / f"schema-{schema}", other)
    with closing(Store.open(empty_url)) as one, closing(Store.open(other)) as two:
        assert contents(one) == contents(two)
        backup(one, tmp_path / "copy")
    assert HEAD.encode() in unpacked(tmp_path / "copy")[:40], "a backup made now is of this schema"


#: What is told of a record that was discarded: before schema 0002 nobody noted why, by whom or when.
CLOSED: dict[str, tuple[str | None, str | None]] = {
    "0001": (None, None),
    "0002": ("no text at all", "key:k1"),
}


def assert_goes_on(url: str, schema: str) -> None:
    """Nothing is missing or wrong, and the next record gives what a conversion of the whole journal gives."""
    with closing(Store.open(url)) as store:
        assert check(store) == []
        with store.read(TENANT) as read:
            (replayed,) = read.held(state="replayed")
            (discarded,) = read.held(state="discarded")
            assert [row.state for row in read.held(state=None)].count("held") == 1
            assert (discarded.reason, discarded.closed_by) == CLOSED[schema]
            assert (discarded.closed_at is None) == (schema == "0001")
            became = read.row(replayed.replayed_as or 0)
            assert became is not None
            assert replayed.closed_at == became.received_at
        with closing(new_intake(store)) as intake:
            assert send(intake, MORE).accepted == 1
        assert check(store) == []
        assert comparable(latest(store)) == whole_journal_converted()
        assert patients_named(store) == {patient_id("P-1042"), patient_id("P-2")}


def whole_journal_converted() -> dict[str, Any]:
    found = comparable(by_convert([line(raw) for raw in (*JOURNAL, MORE)]))
    return {reference: content for reference, content in found.items() if not is_adapter(content)}


def patients_named(store: Store) -> set[str]:
    with store.read(TENANT) as read:
        rows = [row for seq in range(1, read.last_seq() + 1) for row in read.written_at(seq)]
    return {row.patient for row in rows if row.patient is not None}


def patient_id(value: str) -> str:

    return renderer_of(TENANT).ids.patient(Identifier("https://ward.example/mrn", value))
