"""The driver itself: it passes a stand-in that is honest, and catches each that is not."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.crash.rounds import Counts, Rounds
from tests.crash.service import Service


def counted(mode: str, folder: Path, rounds: int) -> Counts:
    database = f"sqlite:///{folder}/ward.db"
    command = (sys.executable, "-m", "tests.crash.stand_in", "--mode", mode)
    service = Service(command, {"DRAINLEDGER_DATABASE": database}, folder / "log")
    return Rounds([service], database, "no key", seed=7).run(rounds)


def test_an_honest_service_passes(tmp_path: Path) -> None:
    counts = counted("honest", tmp_path, 2)
    assert counts.faults == []
    assert (counts.rounds, counts.killed_under_load) == (2, 2)
    assert counts.ledgers_compared > 0


@pytest.mark.parametrize(
    ("mode", "fault"), [("early", "lost"), ("twofold", "twice"), ("forgetful", "ledgers_wrong")]
)
def test_a_service_that_lies_is_caught(tmp_path: Path, mode: str, fault: str) -> None:
    assert getattr(counted(mode, tmp_path, 3), fault) != []
