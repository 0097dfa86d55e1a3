"""A service on each engine, for the tests that ask for it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from drainledger.intake.intake import Intake
from drainledger.store.store import Store
from tests import postgres
from tests.intake.service import running, sqlite_url


@pytest.fixture(params=("sqlite", "postgresql"))
def either(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Store, Intake]]:
    url = sqlite_url(tmp_path) if request.param == "sqlite" else postgres.new_database()
    with running(url) as found:
        yield found
