"""A service of its own for each test that asks for one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.web.http import Http, caller, settings_for


@pytest.fixture
def http(tmp_path: Path) -> Iterator[Http]:
    with caller(settings_for(tmp_path)) as opened:
        yield opened
