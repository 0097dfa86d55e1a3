"""What both engines are told to guarantee, and what becomes of it when somebody else is in the way."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager

import psycopg
import pytest

from drainledger.store import engine as engines
from drainledger.store import keys
from drainledger.store.engine import Database
from drainledger.store.errors import StoreBusy, StoreUnavailable
from drainledger.store.store import Store
from tests import postgres
from tests.store.samples import NOON, TENANT, readings


@contextmanager
def opened(url: str) -> Iterator[Store]:
    store = Store.open(url)
    try:
        yield store
    finally:
        store.close()


def test_two_processes_take_turns(database_url: str) -> None:
    """Two stores share nothing but the database, as two processes do."""
    failures: list[BaseException] = []

    def run(name: str) -> None:
        try:
            with opened(database_url) as store:
                for turn in range(25):
                    with store.write(TENANT, NOON) as write:
                        write.append(readings(2, prefix=f"{name}{turn}-"))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=run, args=(name,)) for name in "abc"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with opened(database_url) as store, store.read(TENANT) as read:
        assert [row.seq for row in read.rows(0, 999)] == list(range(1, 151))


def test_a_lock_is_not_waited_for_without_end(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engines, "LOCK_SECONDS", 1)
    with opened(database_url) as one, opened(database_url) as other:
        with one.write(TENANT, NOON) as write:
            write.append(readings(1))
            with pytest.raises(StoreBusy, match="try again"), other.write(TENANT, NOON):
                pass
        with other.write(TENANT, NOON) as write:
            assert write.append(readings(1, "later")) == [2]


def test_another_tenant_is_not_waited_for_on_postgresql(database_url: str, engine: str) -> None:
    """On SQLite the lock is the database's."""
    if engine == "postgresql":
        with opened(database_url) as store, store.write(TENANT, NOON) as write:
            write.append(readings(1))
            with store.write("south", NOON) as theirs:
                assert theirs.append(readings(1)) == [1]


def test_commits_wait_for_the_disk_whatever_the_server_says() -> None:
    url = postgres.new_database()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"ALTER DATABASE {url.split('/')[3].split('?')[0]} SET synchronous_commit = off")
    database = Database(url)
    with database.write() as connected:
        assert connected.exec_driver_sql("SHOW synchronous_commit").scalar() == "on"
        assert connected.exec_driver_sql("SHOW transaction_isolation").scalar() == "read committed"
    with database.read() as connected:
        assert connected.exec_driver_sql("SHOW transaction_isolation").scalar() == "repeatable read"
        assert connected.exec_driver_sql("SHOW transaction_read_only").scalar() == "on"
        assert connected.exec_driver_sql("SHOW statement_timeout").scalar() == "1min"
    with database.read(unhurried=True) as connected:
        assert connected.exec_driver_sql("SHOW statement_timeout").scalar() == "0"
    database.close()


def test_a_stronger_setting_of_the_operator_stays() -> None:
    url = postgres.new_database()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(
            f"ALTER DATABASE {url.split('/')[3].split('?')[0]} SET synchronous_commit = remote_apply"
        )
    database = Database(url)
    with database.write() as connected:
        assert connected.exec_driver_sql("SHOW synchronous_commit").scalar() == "remote_apply"
    database.close()


def test_a_connection_that_was_cut_is_told_and_made_anew() -> None:
    url = postgres.new_database()
    with opened(url) as store:
        with pytest.raises(StoreUnavailable):
            cut(store, url)
        with store.write(TENANT, NOON) as write:
            assert write.append(readings(1)) == [1]


def cut(store: Store, url: str) -> None:
    """The server ends every connection while a transaction is under way."""
    with store.write(TENANT, NOON) as write:
        write.append(readings(1))
        with psycopg.connect(url, autocommit=True) as connection:
            connection.execute(
                "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
        write.append(readings(1, "more"))


def test_no_fault_shows_what_was_stored(database_url: str) -> None:
    """A driver's own text quotes values."""
    with opened(database_url) as store, pytest.raises(StoreUnavailable) as caught, store.read(TENANT) as read:
        read._connection.exec_driver_sql("INSERT INTO tenants VALUES ('P-1042', 0, 0, 0)")
    assert "P-1042" not in str(caught.value)


def test_long_reads_leave_connections_for_keys_and_health(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engines, "LOCK_SECONDS", 1)
    store = Store.open(database_url, readers=1)
    with closing(store), ExitStack() as taken:
        text, row = keys.create(store, TENANT, source=None, scopes=("read",), now=NOON)
        for _ in range(2):
            taken.enter_context(store.read(TENANT))
        with pytest.raises(StoreBusy), store.read(TENANT):
            pass
        assert keys.verify(store, text, NOON) == row
        store.ping()
        store.last_received_at()
