from __future__ import annotations

from collections.abc import Iterator

import pytest

from drainledger.store.store import Store
from tests.acceptance.processes import started
from tests.crash.service import Service


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def running(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Store, list[Service]]]:
    """A store and the processes that serve it: one on SQLite, two on PostgreSQL."""
    with started(request.param, tmp_path_factory.mktemp(request.param)) as both:
        yield both
