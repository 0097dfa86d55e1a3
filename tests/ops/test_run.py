"""deploy/run.sh as a newcomer runs it: it installs, starts, answers the lines that it prints, and stops."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.crash.service import free_port
from tests.house.repository import ROOT
from tests.ops.tools import told
from tests.privacy.gathering import watch

CAUTION = "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
RUN = ("bash", "deploy/run.sh")


def test_it_starts_answers_its_own_lines_and_stops() -> None:
    ended = subprocess.run(
        [*RUN, "--check"], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert ended.returncode == 0, told(ended)
    assert CAUTION in ended.stdout
    assert len(re.findall(r"^  curl ", ended.stdout, re.M)) == 3
    assert re.search(r"^  key +dl_demo_\w+$", ended.stdout, re.M)
    assert ended.stdout.endswith("checked: it starts, answers the three lines and stops\n")


def test_ctrl_c_stops_it_in_order(tmp_path: Path) -> None:
    """As a terminal does: SIGINT to the whole group of processes in the foreground."""
    log = tmp_path / "log"
    with log.open("wb") as out:
        started = subprocess.Popen(
            [*RUN, "--port", str(free_port())], cwd=ROOT, stdout=out, stderr=out, start_new_session=True
        )
    try:
        wait_for("Ctrl-C stops it.", log, started)
        os.killpg(started.pid, signal.SIGINT)
        assert started.wait(timeout=60) == 0, log.read_text()
    finally:
        if started.poll() is None:
            started.terminate()
    assert log.read_text().endswith("stopping\n")
    service = ROOT / "build" / "demo" / "service.log"
    watch(service)
    assert "Traceback" not in service.read_text()


def wait_for(text: str, log: Path, started: subprocess.Popen[bytes]) -> None:
    for _ in range(1200):
        if text in log.read_text():
            return
        assert started.poll() is None, log.read_text()
        time.sleep(0.1)
    raise AssertionError(f"no {text!r} within 120 s:\n{log.read_text()}")


@pytest.mark.parametrize("words", [("--demo",), ("8081",)])
def test_what_it_does_not_know_is_named(words: tuple[str, ...]) -> None:
    ended = subprocess.run([*RUN, *words], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 1
    assert f"'{words[0]}' is not known" in ended.stderr
    assert "--port N, --check" in ended.stderr
