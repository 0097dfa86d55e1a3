"""Backups while others write, restored into either engine; and archives that must not be believed."""

from __future__ import annotations

import gzip
import stat
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import select

from drainledger.store import archive as archives
from drainledger.store import migrations
from drainledger.store.archive import open_archive
from drainledger.store.backup import backup, restore
from drainledger.store.checking import check
from drainledger.store.engine import Database
from drainledger.store.errors import BadArchive, FileIsThere, NotEmpty, SchemaBehind
from drainledger.store.migrations import upgrade
from drainledger.store.schema import HEAD, metadata
from drainledger.store.store import Store, revision
from tests.store.conftest import ENGINES
from tests.store.filled import fill, writing
from tests.store.samples import TENANT


def contents(store: Store) -> dict[str, list[tuple[object, ...]]]:
    with store.database.read() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key))]
            for table in metadata.sorted_tables
        }


@pytest.fixture
def archive(store: Store, tmp_path: Path) -> Path:
    fill(store)
    fill(store, "south")
    backup(store, tmp_path / "copy")
    return tmp_path / "copy"


@pytest.fixture(params=ENGINES)
def elsewhere(request: pytest.FixtureRequest, new_url: Callable[[str], str]) -> str:
    """An empty database of each engine."""
    return new_url(str(request.param))


@pytest.fixture
def small(tmp_path: Path, new_url: Callable[[str], str]) -> Path:
    """An archive made on SQLite: what is in a file is the same from either."""
    url = new_url("sqlite")
    upgrade(url)
    store = Store.open(url)
    fill(store)
    backup(store, tmp_path / "small")
    store.close()
    return tmp_path / "small"


def test_a_restored_copy_is_the_same(store: Store, archive: Path, elsewhere: str) -> None:
    manifest = restore(archive, elsewhere)
    copy = Store.open(elsewhere)
    found = contents(copy)
    assert found == contents(store)
    assert manifest.rows == {name: len(rows) for name, rows in found.items()}
    assert all(manifest.rows.values()), "every table was tried"
    assert check(copy) == []
    copy.close()


def test_a_restored_copy_goes_on(archive: Path, elsewhere: str) -> None:
    restore(archive, elsewhere)
    copy = Store.open(elsewhere)
    with writing(copy):
        pass
    assert check(copy) == []
    copy.close()


def test_a_backup_while_writing_is_one_state(
    store: Store, tmp_path: Path, elsewhere: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between any two frames of the archive somebody commits; the copy holds what was there at its first row."""
    fill(store)
    with store.read(TENANT) as read:
        base = read.last_seq()
    with writing(store) as commits:
        before = commits[0]
        monkeypatch.setattr(archives, "_frame", after_a_commit(commits, archives._frame))
        backup(store, tmp_path / "copy")
        after = commits[0]
    monkeypatch.undo()
    restore(tmp_path / "copy", elsewhere)
    copy = Store.open(elsewhere)
    assert check(copy) == []
    with store.read(TENANT) as ours, copy.read(TENANT) as theirs:
        seq = theirs.last_seq()
        turns, rest = divmod(seq - base, 3)
        assert rest == 0, "a commit is there whole or not at all"
        assert before <= turns < after - 5, "others wrote meanwhile"
        assert theirs.rows(0, 10**6) == ours.rows(0, seq)
        assert len(ours.rows(seq, 10**6)) > 0
        assert theirs.history("turn") == ours.history("turn")[:turns]
        assert len(theirs.audits(0, 10**6)) == 2 + turns
    copy.close()


def after_a_commit(commits: list[int], then: Callable[..., None]) -> Callable[..., None]:
    def run(*arguments: object) -> None:
        seen, until = commits[0], time.monotonic() + 30
        while commits[0] == seen:
            assert time.monotonic() < until, "nobody commits while a backup is made"
            time.sleep(0.001)
        then(*arguments)

    return run


def test_a_backup_is_its_owners_alone(archive: Path) -> None:
    assert stat.S_IMODE(archive.stat().st_mode) == 0o600
    assert [path.name for path in archive.parent.iterdir() if "partial" in path.name] == []


def test_a_backup_takes_no_other_files_place(store: Store, tmp_path: Path) -> None:
    (tmp_path / "copy").write_bytes(b"precious")
    with pytest.raises(FileIsThere, match="copy is there already"):
        backup(store, tmp_path / "copy")
    assert (tmp_path / "copy").read_bytes() == b"precious"


def test_a_backup_that_fails_leaves_no_file(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("drainledger.store.archive.os.fsync", full)
    fill(store)
    with pytest.raises(OSError, match="No space"):
        backup(store, tmp_path / "copy")
    assert not list(tmp_path.glob("*copy*"))


def test_rows_larger_than_a_frame(
    store: Store, tmp_path: Path, elsewhere: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archives, "_FRAME_BYTES", 10)
    fill(store)
    backup(store, tmp_path / "copy")
    restore(tmp_path / "copy", elsewhere)
    copy = Store.open(elsewhere)
    assert contents(copy) == contents(store)
    copy.close()


# What must not be believed


def refused(path: Path, url: str, match: str) -> None:
    """It is refused, and nothing is left behind."""
    with pytest.raises(BadArchive, match=match):
        restore(path, url)
    with pytest.raises(SchemaBehind):
        Store.open(url)


def unpacked(path: Path) -> bytes:
    return gzip.decompress(path.read_bytes().partition(b"\n")[2])


def packed(path: Path, frames: bytes) -> Path:
    path.write_bytes(b"drainledger-backup 1\n" + gzip.compress(frames))
    return path


@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.99])
def test_a_file_that_is_cut_off(small: Path, elsewhere: str, share: float) -> None:
    data = small.read_bytes()
    small.write_bytes(data[: int(len(data) * share)])
    refused(small, elsewhere, r"cut off|no backup|damaged")


def test_frames_that_are_cut_off(small: Path, new_url: Callable[[str], str]) -> None:
    """Also where the compressed file itself is whole."""
    frames = unpacked(small)
    for end in (3, 40, len(frames) // 2, len(frames) - 1):
        refused(packed(small, frames[:end]), new_url("sqlite"), "cut off")


def test_a_changed_byte_anywhere(small: Path, new_url: Callable[[str], str]) -> None:
    """In the file as it is, and in the frames where nobody's checksum but our own would tell."""
    data, frames = small.read_bytes(), unpacked(small)
    for place in range(31, len(data), len(data) // 20):  # behind the heads, which hold a time and the like
        changed = bytearray(data)
        changed[place] ^= 1
        small.write_bytes(bytes(changed))
        refused(small, new_url("sqlite"), "can't be restored")
    for place in range(len(frames) // 3, len(frames), len(frames) // 23):
        changed = bytearray(frames)
        changed[place] ^= 1
        refused(packed(small, bytes(changed)), new_url("sqlite"), "can't be restored")


def test_what_goes_on_after_its_end(small: Path, elsewhere: str) -> None:
    refused(packed(small, unpacked(small) + b"more"), elsewhere, "after its end")


def test_a_length_that_can_not_be(small: Path, elsewhere: str) -> None:
    refused(packed(small, b"\xff\xff\xff\xff" + unpacked(small)), elsewhere, "longer than any")


def test_other_files(tmp_path: Path, elsewhere: str) -> None:
    other = tmp_path / "other"
    other.write_bytes(b"SQLite format 3\x00")
    refused(other, elsewhere, "no backup of this program")
    with pytest.raises(FileNotFoundError):
        restore(tmp_path / "none", elsewhere)


def test_a_later_schema(small: Path, elsewhere: str) -> None:
    refused(packed(small, unpacked(small).replace(HEAD.encode(), b"9999", 1)), elsewhere, "knows none after")


def test_tables_of_another_schema(small: Path, elsewhere: str) -> None:
    frames = unpacked(small).replace(b"\xa7journal", b"\xa7journaX", 1)
    refused(packed(small, frames), elsewhere, "not those of its schema")


def test_a_database_with_rows_is_left_alone(store: Store, database_url: str, small: Path) -> None:
    fill(store, "east")
    before = contents(store)
    with pytest.raises(NotEmpty):
        restore(small, database_url)
    assert contents(store) == before


def test_an_upgraded_empty_database_will_do(database_url: str, small: Path) -> None:
    restore(small, database_url)
    copy = Store.open(database_url)
    assert check(copy) == []
    assert copy.tenants() == [TENANT]
    copy.close()


def test_a_database_of_another_schema_is_left_alone(database_url: str, small: Path) -> None:
    database = Database(database_url)
    with database.write() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0000'")
    with pytest.raises(BadArchive, match="without tables"):
        restore(small, database_url)
    with database.read() as connection:
        assert revision(connection) == "0000"
    database.close()


def test_what_came_out_otherwise_is_not_kept(
    small: Path, elsewhere: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A database that loses something on the way: here, a trigger that drops what it should keep."""
    upgraded = migrations.upgrade_within

    def sabotaged(connection: object, to: str = "head") -> None:
        upgraded(connection, to)  # type: ignore[arg-type]  # a Connection
        if to != "head":
            forget(connection)

    monkeypatch.setattr("drainledger.store.backup.upgrade_within", sabotaged)
    refused(small, elsewhere, "came out otherwise")


def forget(connection: object) -> None:
    sqlite = ["CREATE TRIGGER forget AFTER INSERT ON audit BEGIN DELETE FROM audit; END"]
    postgres = [
        "CREATE FUNCTION forget() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN DELETE FROM audit; RETURN NULL; END'",
        "CREATE TRIGGER forget AFTER INSERT ON audit FOR EACH ROW EXECUTE FUNCTION forget()",
    ]
    for statement in sqlite if connection.dialect.name == "sqlite" else postgres:  # type: ignore[attr-defined]  # the statement is of the engine in use
        connection.exec_driver_sql(statement)  # type: ignore[attr-defined]  # the statement is of the engine in use


def test_an_archive_is_read_to_its_end(small: Path) -> None:
    with open_archive(small) as archive:
        counted = dict.fromkeys(archive.columns, 0)
        for table, rows in archive.rows():
            counted[table] += len(rows)
    assert archive.tallies is not None
    assert {table: tally.rows for table, tally in archive.tallies.items()} == counted
