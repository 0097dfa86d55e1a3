"""The command on an ordered stream: speed on one core and peak memory, at a tenth of the size and at the whole."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from tests.journals.books import line
from tests.journals.seeded import hourly_readings

_DRAINS = 50
#: The command, and then the most memory it held (kB). What wait4 tells would hold the parent's, from before the exec.
_MEASURED = """
import atexit, re, sys
from pathlib import Path
from drainledger.cli import main
atexit.register(lambda: sys.stdout.write(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]))
sys.argv[0] = "drainledger"
main()
"""


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
    arguments = ["convert", str(source), "--emit", "resources", "--assume-ordered", "--out", str(target)]
    started = time.perf_counter()
    ended = subprocess.run(
        [sys.executable, "-c", _MEASURED, *arguments], stdout=subprocess.PIPE, text=True, check=True
    )
    seconds = time.perf_counter() - started
    with target.open("rb") as produced:
        resources = sum(1 for _ in produced)
    target.unlink()
    return int(ended.stdout.split()[-1]) / 1024, seconds, resources
