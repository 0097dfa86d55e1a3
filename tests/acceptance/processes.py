"""The service as it runs in earnest: one process on SQLite, and two on one PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from drainledger.store import keys
from drainledger.store.migrations import upgrade
from drainledger.store.store import Store
from tests.crash.service import Service, new_database, serving
from tests.journals.books import SOURCE


@contextmanager
def started(engine: str, folder: Path) -> Iterator[tuple[Store, list[Service]]]:
    """A store and the processes that serve it, ready."""
    url = new_database(engine, folder)
    upgrade(url)
    store = Store.open(url)
    services = [serving(url, folder / f"{n}.log") for n in range(1 if engine == "sqlite" else 2)]
    try:
        for service in services:
            service.start()
        yield store, services
    finally:
        for service in services:
            service.end()
        store.close()


def key_for(store: Store, tenant: str) -> str:
    text, _ = keys.create(
        store, tenant, source=SOURCE, scopes=["records.write", "read"], now=datetime.now(UTC)
    )
    return text
