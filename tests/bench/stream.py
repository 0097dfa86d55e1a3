"""The command on an ordered stream: speed on one core and peak memory, at a tenth of the size and at the whole."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

from tests.journals.books import line
from tests.journals.seeded import hourly_readings

_DRAINS = 50


def stream(readings: int, folder: Path) -> dict[str, float]:
    """Readings a second, resources a reading, peak memory in MiB of the small and the whole run, and their ratio."""
    small, _, _ = _run(readings // 10, folder)
    peak, seconds, resources = _run(readings, folder)
    return {
        "readings": readings,
        "readings_per_second": round(readings / seconds),
        "resources_per_reading": round(resources / readings, 2),
        "resources_per_second": round(resources / seconds),
        "peak_mib_tenth": round(small, 1),
        "peak_mib": round(peak, 1),
        "peak_ratio": round(peak / small, 3),
    }


def _run(readings: int, folder: Path) -> tuple[float, float, int]:
    source, target = folder / f"{readings}.ndjson", folder / f"{readings}.out"
    with source.open("wb") as out:
        for raw in hourly_readings(readings, _DRAINS):
            out.write(line(raw) + b"\n")
    command = [sys.executable, "-m", "drainledger", "convert", str(source), "--emit", "resources"]
    started = time.perf_counter()
    child = subprocess.Popen([*command, "--assume-ordered", "--out", str(target)])
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - started
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"convert ended with {child.returncode}")
    with target.open("rb") as produced:
        resources = sum(1 for _ in produced)
    target.unlink()
    return usage.ru_maxrss / 1024, seconds, resources
