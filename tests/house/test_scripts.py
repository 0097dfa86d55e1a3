"""The deploy scripts: sound shell, clear words when something is missing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.repository import ROOT

SCRIPTS = sorted([*ROOT.glob("deploy/*.sh"), ROOT / ".ci" / "run"])


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_the_shell_is_sound(script: Path) -> None:
    subprocess.run(["bash", "-n", str(script)], check=True)
    shellcheck = Path(sys.executable).parent / "shellcheck"
    checked = subprocess.run(
        [str(shellcheck), "-x", str(script)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_ci_runs_the_test_script_and_nothing_else() -> None:
    commands = [
        line for line in (ROOT / ".ci" / "run").read_text().splitlines() if line and not line.startswith("#")
    ]
    assert commands == ["set -euo pipefail", 'cd "$(dirname "${BASH_SOURCE[0]}")/.."', "bash deploy/test.sh"]


def fake(path: Path, body: str) -> Path:
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return path


def start(tmp_path: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """run.sh in a copy of its folder, so that no .venv of the repository is in the way."""
    shutil.copytree(ROOT / "deploy", tmp_path / "deploy")
    return subprocess.run(
        ["bash", "deploy/run.sh"],
        cwd=tmp_path,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_an_old_python_is_named_and_the_way_out_told(tmp_path: Path) -> None:
    old = fake(tmp_path / "python-old", '[ "$1" = --version ] && echo Python 3.9.1 && exit 0\nexit 1')
    ended = start(tmp_path, PYTHON=str(old))
    assert ended.returncode == 1
    assert "needs Python 3.11 or newer, and found: Python 3.9.1" in ended.stderr
    assert "PYTHON=/path/to/python3.12" in ended.stderr
    assert not (tmp_path / ".venv").exists()


def test_a_missing_venv_module_is_told_to_who_is_not_root(tmp_path: Path) -> None:
    bin_folder = tmp_path / "bin"
    bin_folder.mkdir()
    fake(bin_folder / "id", "echo 1000")
    bare = fake(
        tmp_path / "python-bare", f'case "$2" in *ensurepip*) exit 1;; esac\nexec "{sys.executable}" "$@"'
    )
    ended = start(tmp_path, PYTHON=str(bare), PATH=f"{bin_folder}:{os.environ['PATH']}")
    assert ended.returncode == 1
    assert "no ensurepip" in ended.stderr
    assert "sudo apt-get install python3-venv" in ended.stderr


def test_root_on_debian_gets_what_is_missing(tmp_path: Path) -> None:
    fake(tmp_path / "id", "echo 0")
    fake(tmp_path / "apt-get", f'echo "$@" >>"{tmp_path}/asked"')
    subprocess.run(
        ["bash", "-euc", '. deploy/lib.sh; apt_install "no node" nodejs npm'],
        cwd=ROOT,
        env=os.environ | {"PATH": f"{tmp_path}:{os.environ['PATH']}"},
        check=True,
    )
    assert (tmp_path / "asked").read_text() == "update -qq\ninstall -qq -y nodejs npm\n"
