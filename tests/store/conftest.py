"""Every test of the store runs on both engines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drainledger.store.migrations import upgrade
from drainledger.store.store import Store
from tests import postgres

ENGINES = ("sqlite", "postgresql")


@pytest.fixture(params=ENGINES)
def engine(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def new_url(tmp_path: Path) -> Callable[[str], str]:
    """Gives the URL of a database that is empty: without even a schema."""
    made = iter(range(1, 100))

    def make(engine: str) -> str:
        if engine == "postgresql":
            return postgres.new_database(upgraded=False)
        return f"sqlite:///{tmp_path / f'store-{next(made)}.db'}"

    return make


@pytest.fixture
def empty_url(engine: str, new_url: Callable[[str], str]) -> str:
    return new_url(engine)


@pytest.fixture
def database_url(engine: str, new_url: Callable[[str], str]) -> str:
    """A database with the schema in place."""
    if engine == "postgresql":
        return postgres.new_database()
    url = new_url(engine)
    upgrade(url)
    return url


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store.open(database_url)
    yield opened
    opened.close()
