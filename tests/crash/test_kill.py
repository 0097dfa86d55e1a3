"""kill -9 under load: what was answered 2xx is there, nothing twice, and the ledger is that of a computation from the
records alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.crash.rounds import Counts, faithful
from tests.crash.service import new_database, prepared, serving

SEED = 1


def killed(engine: str, processes: int, rounds: int, folder: Path) -> Counts:
    database = new_database(engine, folder)
    key = prepared(database)
    services = [serving(database, folder / f"service-{number}.log") for number in range(processes)]
    return faithful(rounds, services, database, key, SEED)


def report(request: pytest.FixtureRequest, counts: Counts) -> None:
    """Beside the test's name, also when all went well."""
    plugins = request.config.pluginmanager
    reporter, capture = plugins.get_plugin("terminalreporter"), plugins.get_plugin("capturemanager")
    if (
        reporter is not None and capture is not None
    ):  # a worker of xdist has no reporter; the properties have them
        with capture.global_and_fixture_disabled():
            reporter.write_line(f"\n{request.node.name}: {counts}")
    request.node.user_properties.append(("counts", str(counts)))


@pytest.mark.parametrize(("engine", "processes", "rounds"), [("sqlite", 1, 10), ("postgresql", 2, 3)])
def test_nothing_answered_is_lost(
    engine: str, processes: int, rounds: int, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    counts = killed(engine, processes, rounds, tmp_path)
    report(request, counts)
    assert counts.rounds == rounds
    assert counts.killed_under_load >= rounds // 2, "too few were killed while somebody waited for an answer"


@pytest.mark.deep
@pytest.mark.parametrize(("engine", "processes", "rounds"), [("sqlite", 1, 200), ("postgresql", 2, 40)])
def test_nothing_answered_is_lost_in_many_rounds(
    engine: str, processes: int, rounds: int, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    counts = killed(engine, processes, rounds, tmp_path)
    report(request, counts)
    assert counts.rounds == rounds
    assert counts.killed_under_load >= rounds * 3 // 4, (
        "too few were killed while somebody waited for an answer"
    )
