"""How long `drainledger serve` takes from its start to the first 200 of /health/ready; the database has its tables."""

from __future__ import annotations

import os
import statistics
import time
from pathlib import Path

from tests.crash.service import Service, drainledger, serving, settings


def start(folder: Path, times: int = 10) -> dict[str, float]:
    """Medians of `times` starts: by the clock on the wall, and what of it the processor worked for this process. `load`
    is what else waited for the processors meanwhile (getloadavg(3)), which the clock counts too."""
    database = f"sqlite:///{folder / 'start.db'}"
    drainledger("db", "upgrade", environment=settings(database))
    wall, processor = zip(
        *(_once(serving(database, folder / "start.log")) for _ in range(times)), strict=True
    )
    return {
        "wall_s": round(statistics.median(wall), 2),
        "wall_longest_s": round(max(wall), 2),
        "processor_s": round(statistics.median(processor), 2),
        "load": round(os.getloadavg()[0], 1),
    }


def _once(service: Service) -> tuple[float, float]:
    began = time.perf_counter()
    service.start()
    took = time.perf_counter() - began, service.processor_seconds()
    service.stop()
    return took
