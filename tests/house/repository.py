"""The repository as the checks of the house see it."""

from __future__ import annotations

import subprocess
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


@cache
def tracked_files() -> tuple[Path, ...]:
    """Every file that git knows or would add: what a clone holds once all is committed."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    paths = (ROOT / name for name in listed.split("\0") if name)
    return tuple(path for path in paths if path.is_file())


def tracked_python() -> tuple[Path, ...]:
    return tuple(path for path in tracked_files() if path.suffix == ".py")


@cache
def pyproject() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
