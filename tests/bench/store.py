"""How fast records and their resources are made durable, on both engines: 1,000 records, 5 resources each, a commit."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

from drainledger.store.migrations import upgrade
from drainledger.store.rows import NewVersions
from drainledger.store.store import Store
from tests import postgres
from tests.store.samples import NOON, TENANT, part, readings

_RECORDS = 1000
_PARTS = ("level", "output", "total", "panel", "provenance")
_BODY = b"x" * 1200


def durable(folder: Path, commits: int = 6) -> dict[str, object]:
    """Records a second by engine, the median of the commits, and how long all rows of a drain then take to read."""
    return {engine: _measured(engine, folder, commits) for engine in ("sqlite", "postgresql")}


def _measured(engine: str, folder: Path, commits: int) -> dict[str, float]:
    with _synced(engine, folder) as url:
        store = Store.open(url)
        rates = [_RECORDS / _commit(store, number) for number in range(commits)]
        began = time.perf_counter()
        with store.read(TENANT) as read:
            rows = read.rows_naming([("drain", "d1")])
        read_rate = len(rows) / (time.perf_counter() - began)
        store.close()
    return {"records_per_s": round(statistics.median(rates)), "rows_read_per_s": round(read_rate)}


def _commit(store: Store, number: int) -> float:
    rows = readings(_RECORDS, prefix=f"{number}-")
    versions = [
        NewVersions(
            id=f"{number}-{place}",
            parts={name: part(body=_BODY) for name in _PARTS},
            patient="p1",
            drain="d1",
            at=NOON,
        )
        for place in range(_RECORDS)
    ]
    began = time.perf_counter()
    with store.write(TENANT, NOON) as write:
        write.append(rows)
        write.put_versions(versions)
    return time.perf_counter() - began


@contextmanager
def _synced(engine: str, folder: Path) -> Iterator[str]:
    """A database whose commits reach the disk; the tests' own PostgreSQL leaves that out."""
    if engine == "sqlite":
        url = f"sqlite:///{folder / 'store.db'}"
        upgrade(url)
        yield url
        return
    url = postgres.new_database()
    _set_fsync("on")
    yield url
    _set_fsync("off")


def _set_fsync(value: str) -> None:
    with psycopg.connect(postgres.server().get_uri(), autocommit=True) as connection:
        connection.execute(f"ALTER SYSTEM SET fsync = {value}")
        connection.execute("SELECT pg_reload_conf()")
