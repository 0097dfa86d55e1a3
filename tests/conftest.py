"""What every test shares: the long checks behind --deep, left out aloud and never counted as passed; and the search of
all that the service said for what names a patient."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import settings

from tests.privacy.plugin import Privacy

# No deadline on a single example: two workers share a small machine. Speed is measured in tests/bench alone.
settings.register_profile("house", deadline=None)
settings.load_profile("house")

_LEFT_OUT = pytest.StashKey[int]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--deep", action="store_true", help="also run the checks marked deep (minutes, not seconds)"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[_LEFT_OUT] = 0
    config.pluginmanager.register(Privacy(config), "privacy")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--deep"):
        return
    deep = [item for item in items if item.get_closest_marker("deep")]
    if deep:
        items[:] = [item for item in items if not item.get_closest_marker("deep")]
        config.hook.pytest_deselected(items=deep)
        config.stash[_LEFT_OUT] = len(deep)


def pytest_sessionfinish(session: pytest.Session) -> None:
    workeroutput: dict[str, Any] | None = getattr(session.config, "workeroutput", None)
    if workeroutput is not None:  # under xdist only the workers collect: they tell the controller
        workeroutput["deep_left_out"] = session.config.stash[_LEFT_OUT]


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    counted = getattr(node, "workeroutput", {}).get("deep_left_out", 0)
    node.config.stash[_LEFT_OUT] = max(node.config.stash[_LEFT_OUT], counted)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if config.stash[_LEFT_OUT]:
        terminalreporter.write_line(
            f"{config.stash[_LEFT_OUT]} deep checks were left out; run them with --deep"
        )
