"""Connections to SQLite or PostgreSQL with the guarantees that the store is built on.

SQLite: write-ahead log, synchronous=FULL (a commit is on disk when it returns), one writing connection a process, which
takes the database's write lock as it begins; reading connections that can't write. PostgreSQL: writes in READ COMMITTED
behind the tenant's row lock, reads in REPEATABLE READ READ ONLY, and no commit that doesn't wait for the disk.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from drainledger.store.errors import BadDatabaseUrl, translated

#: How long a statement waits for a lock before the caller is told that the database is busy. Seconds.
LOCK_SECONDS: Final = 15
#: How long a statement may run on PostgreSQL, and a transaction stand idle. Seconds.
STATEMENT_SECONDS: Final = 60
IDLE_SECONDS: Final = 120
_WRITERS: Final = 4
#: Connections kept for what must be answered whatever is read: keys, and whether the database answers.
_ASIDE: Final = 2


class Database:
    """Three engines on one database: one that writes, one that reads, and one that reads what takes a moment and can't
    wait for long reads to end. Thread-safe."""

    def __init__(self, url: str, readers: int = 8) -> None:
        self.url = database_url(url)
        self.dialect = self.url.get_backend_name()
        make = _sqlite_engines if self.dialect == "sqlite" else _postgres_engines
        self._writing, self._reading, self._aside = make(self.url, readers)

    @property
    def exists(self) -> bool:
        """False where a SQLite file would have to be made."""
        return self.dialect != "sqlite" or Path(self.url.database or "").exists()

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction that commits at the end of the block, and leaves nothing behind where it raises."""
        with translated(), self._writing.begin() as connection:
            yield connection

    @contextmanager
    def read(self, *, unhurried: bool = False) -> Iterator[Connection]:
        """A transaction that sees one state of the database. `unhurried`: without a limit on a statement's time."""
        with translated(), self._reading.connect() as connection, connection.begin():
            if unhurried and self.dialect == "postgresql":
                connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
            yield connection

    @contextmanager
    def aside(self) -> Iterator[Connection]:
        """As `read`, from connections that are kept for statements by key alone."""
        with translated(), self._aside.connect() as connection, connection.begin():
            yield connection

    def close(self) -> None:
        for engine in (self._writing, self._reading, self._aside):
            engine.dispose()


def database_url(text: str) -> URL:
    """Raises BadDatabaseUrl, whose text never shows what may hold a password."""
    try:
        url = make_url(text)
    except ArgumentError:
        raise BadDatabaseUrl("it is no URL") from None
    backend = url.get_backend_name()
    if backend in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    if backend != "sqlite":
        raise BadDatabaseUrl("it is neither SQLite nor PostgreSQL")
    if url.database in (None, "", ":memory:"):
        raise BadDatabaseUrl("SQLite in memory would lose everything; it needs a file")
    if url.database.startswith("file:") or url.query:
        raise BadDatabaseUrl("SQLite takes the path of a file, and nothing after it")
    return url.set(drivername="sqlite+pysqlite")


def make_private(path: Path) -> None:
    """Makes the file of a new database so that nobody else can read it; SQLite gives its log the same permissions."""
    os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))


def _sqlite_engines(url: URL, readers: int) -> tuple[Engine, Engine, Engine]:
    options: dict[str, Any] = {"connect_args": {"timeout": LOCK_SECONDS}, "pool_timeout": LOCK_SECONDS}
    writing = create_engine(url, pool_size=1, max_overflow=0, **options)
    reading, aside = (
        create_engine(url, pool_size=size, max_overflow=size, **options) for size in (readers, _ASIDE)
    )
    _sqlite_events(writing, "BEGIN IMMEDIATE", ())
    for engine in (reading, aside):
        _sqlite_events(engine, "BEGIN", ("query_only=ON",))
    return writing, reading, aside


def _sqlite_events(engine: Engine, begin: str, pragmas: tuple[str, ...]) -> None:
    """Transactions begin as told: left alone, the driver would begin one before the first change only."""

    @event.listens_for(engine, "connect")
    def connected(connection: Any, record: Any) -> None:
        connection.isolation_level = None  # the driver begins and ends nothing by itself
        cursor = connection.cursor()
        for pragma in (
            "journal_mode=WAL",
            "synchronous=FULL",
            "fullfsync=ON",  # macOS alone: there, a plain fsync does not reach the disk
            "checkpoint_fullfsync=ON",
            "foreign_keys=ON",
            "cache_size=-65536",  # KiB
            *pragmas,
        ):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        connection.exec_driver_sql(begin)


def _postgres_engines(url: URL, readers: int) -> tuple[Engine, Engine, Engine]:
    options: dict[str, Any] = {"pool_pre_ping": True, "pool_timeout": LOCK_SECONDS}
    writing = create_engine(url, pool_size=_WRITERS, max_overflow=_WRITERS, **options)
    reading, aside = (
        create_engine(url, pool_size=size, max_overflow=size, **options).execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True
        )
        for size in (readers, _ASIDE)
    )
    for engine in (writing, reading, aside):
        event.listen(engine, "connect", _postgres_connected)
    return writing, reading, aside


def _postgres_connected(connection: Any, record: Any) -> None:
    """Sets by statement what a pooler between here and the server might not let through at start."""
    connection.autocommit = True
    with connection.cursor() as cursor:
        cursor.execute("SET TIME ZONE 'UTC'")
        cursor.execute(f"SET lock_timeout = '{LOCK_SECONDS}s'")
        cursor.execute(f"SET statement_timeout = '{STATEMENT_SECONDS}s'")
        cursor.execute(f"SET idle_in_transaction_session_timeout = '{IDLE_SECONDS}s'")
        # Stronger settings (a standby that must have it too) are the operator's, and stay.
        cursor.execute(
            "SELECT set_config('synchronous_commit', 'on', false)"
            " WHERE current_setting('synchronous_commit') = 'off'"
        )
    connection.autocommit = False
