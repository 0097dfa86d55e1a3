"""Runs the command as a user does, in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-W", "error", "-m", "drainledger"]
#: A time of receipt after everything in the tests' journals.
RECEIVED = "2026-04-10T00:00:00Z"


def environment(**more: str) -> dict[str, str]:
    """The process's own, with the project importable and nothing of the user's settings."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("DRAINLEDGER_")}
    return kept | {"PYTHONPATH": str(ROOT / "service")} | more


def run(
    *arguments: str | Path, stdin: bytes = b"", cwd: Path | None = None, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [*COMMAND, *map(str, arguments)],
        input=stdin,
        cwd=cwd,
        env=env or environment(),
        capture_output=True,
        timeout=120,
        check=False,
    )


def convert(
    journal: Sequence[object], *arguments: str, emit: str = "ledger", env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    """Converts records given on standard input."""
    return run(
        "convert", "-", "--emit", emit, "--received-at", RECEIVED, *arguments, stdin=ndjson(journal), env=env
    )


def ndjson(journal: Sequence[object]) -> bytes:
    """A record a line; text and bytes stand as they are."""
    return b"".join(_line(record) + b"\n" for record in journal)


def _line(record: object) -> bytes:
    if isinstance(record, bytes):
        return record
    return record.encode() if isinstance(record, str) else json.dumps(record).encode()


def told(done: subprocess.CompletedProcess[bytes]) -> list[dict[str, Any]]:
    """The problems on standard error."""
    return [json.loads(line) for line in done.stderr.splitlines()]
