"""Linters as programs: those of the virtual environment, and those that deploy/test.sh brings from the system."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.repository import ROOT

DEPLOY = ROOT / "deploy"
#: Where Debian keeps nginx, which is not on everybody's path.
_PATH = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"], "/usr/sbin"])


def program(name: str) -> str:
    """Its path. What is missing is a failure that says how to get it, never a check left out."""
    found = shutil.which(name, path=_PATH)
    if found is None:
        pytest.fail(
            f"{name} is not installed: 'bash deploy/test.sh' as root on Debian brings it", pytrace=False
        )
    return found


def run(
    name: str, *arguments: str | Path, cwd: Path = ROOT, environment: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [program(name), *map(str, arguments)],
        cwd=cwd,
        env=os.environ | (environment or {}),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def told(ended: subprocess.CompletedProcess[str]) -> str:
    return f"exit {ended.returncode}\n{ended.stdout}{ended.stderr}"


def changed(source: Path, target: Path, *pairs: tuple[str, str]) -> Path:
    """A copy in which each text is replaced by another. One that is not there is a mistake of the test."""
    text = source.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, f"{source.name} no longer has {old!r}"
        text = text.replace(old, new)
    target.write_text(text, encoding="utf-8")
    return target
