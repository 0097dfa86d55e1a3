"""A bar only where somebody can see it and has to wait."""

from __future__ import annotations

import os
import pty
import subprocess
from pathlib import Path

import pytest

from drainledger.convert.progress import LONG
from tests.convert import cli, journals


def run_on_a_terminal(path: Path, out: Path) -> bytes:
    """What standard error shows when it is a terminal."""
    ours, theirs = pty.openpty()
    arguments = [
        "convert",
        str(path),
        "--emit",
        "ledger-csv",
        "--out",
        str(out),
        "--received-at",
        cli.RECEIVED,
    ]
    running = subprocess.Popen([*cli.COMMAND, *arguments], env=cli.environment(TERM="xterm"), stderr=theirs)
    os.close(theirs)
    shown = b"".join(iter(lambda: read_if_open(ours), b""))
    os.close(ours)
    assert running.wait(timeout=120) == 0
    return shown


def read_if_open(terminal: int) -> bytes:
    """The next piece; nothing once nobody writes any more, which a pseudo-terminal tells by an error."""
    try:
        return os.read(terminal, 65536)
    except OSError:
        return b""


@pytest.fixture
def long_file(tmp_path: Path) -> Path:
    path = tmp_path / "records.ndjson"
    times = [f"2026-03-{2 + n // 1440:02}T{n // 60 % 24:02}:{n % 60:02}:00+00:00" for n in range(400, 2800)]
    readings = [journals.reading(f"r-{at}", at, 0, note="x" * 900) for at in times]
    records = [*journals.start(), *readings]
    path.write_bytes(cli.ndjson(records))
    assert path.stat().st_size > LONG
    return path


def test_long_input_on_a_terminal_shows_a_bar_of_both_steps(long_file: Path, tmp_path: Path) -> None:
    shown = run_on_a_terminal(long_file, tmp_path / "out.csv")
    assert b"reading" in shown
    assert b"converting" in shown


def test_short_input_shows_none(tmp_path: Path) -> None:
    path = tmp_path / "records.ndjson"
    path.write_bytes(cli.ndjson(journals.CASE_1))
    assert run_on_a_terminal(path, tmp_path / "out.csv") == b""


def test_long_input_without_a_terminal_shows_none(long_file: Path, tmp_path: Path) -> None:
    done = cli.run(
        "convert",
        long_file,
        "--emit",
        "ledger-csv",
        "--out",
        tmp_path / "out.csv",
        "--received-at",
        cli.RECEIVED,
    )
    assert (done.returncode, done.stderr) == (0, b"")
