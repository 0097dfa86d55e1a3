"""The README's examples by curl, run by curl against the service that the README's own lines have started."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.convert.console import Step, steps
from tests.crash.service import Service, clean_environment
from tests.house.repository import ROOT

README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = steps(README, "shell-session")
_PORT = "127.0.0.1:8080"
_END = "\x1e"


def start_lines() -> list[str]:
    """The lines that start a service in earnest; the last one is `drainledger serve`."""
    blocks = re.findall(r"(?:^    .*\n)+", README, re.MULTILINE)
    (block,) = [one for one in blocks if one.endswith("    drainledger serve\n")]
    return [line.strip() for line in block.splitlines()]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where everything happens, with `drainledger` and `python3` of the tests in bin/."""
    made = tmp_path_factory.mktemp("readme")
    (made / "bin").mkdir()
    for name, runs in (
        ("drainledger", f'"{sys.executable}" -m drainledger'),
        ("python3", f'"{sys.executable}"'),
    ):
        script = made / "bin" / name
        script.write_text(f'#!/bin/sh\nexec {runs} "$@"\n', encoding="utf-8")
        script.chmod(0o755)
    return made


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[Service]:
    *before, serve = start_lines()
    script = "\n".join(["set -e", f"cd '{folder}'", *before, f'exec {serve} "$@"'])
    started = Service(("bash", "-c", script, "bash"), {"PATH": path(folder)}, folder / "log")
    started.start()
    try:
        yield started
    finally:
        started.end()


def path(folder: Path) -> str:
    return f"{folder / 'bin'}:{os.environ['PATH']}"


def test_the_examples_print_what_the_readme_says(service: Service, folder: Path) -> None:
    said = "".join(f"{one.command}printf '{_END}'\n" for one in EXAMPLES)
    assert said.count(f"http://{_PORT}/v1") == 1
    done = subprocess.run(
        ["bash", "-c", said.replace(_PORT, service.base.removeprefix("http://"))],
        cwd=folder,
        env=clean_environment() | {"PATH": path(folder), "NO_PROXY": "127.0.0.1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=120,
        check=False,
    )
    printed = done.stdout.split(_END)
    assert printed.pop() == ""
    found = [Step(one.command, text) for one, text in zip(EXAMPLES, printed, strict=True)]
    assert found == EXAMPLES


def test_there_is_a_reading_a_late_one_a_correction_and_a_retraction() -> None:
    """What issue 'A service that loses nothing' asks of the README, and that every answer is shown."""
    sent = "".join(one.command for one in EXAMPLES)
    for kind in ("reading", "correction", "retraction"):
        assert f'"record":"{kind}"' in sent
    for called in ("/records", "/ledger", "/trace/", "changes_since=", "known_at=", "parquet"):
        assert called in sent
    assert sum(bool(one.printed) for one in EXAMPLES) >= 12
