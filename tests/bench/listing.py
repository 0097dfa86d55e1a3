"""A page of `GET /v1/drains`: drains with a long history against drains with a short one, first read and read again."""

from __future__ import annotations

import time
from pathlib import Path

from drainledger.intake.views import Views
from tests.intake.service import TENANT, renderer_of, running, send, sqlite_url
from tests.journals.books import mappings
from tests.journals.seeded import hourly_readings

_PAGE = 100


def listing(folder: Path, drains: int, long: int, short: int) -> dict[str, float]:
    """Seconds of a page over so many drains of `long` readings each, cold and warm, and of `short` ones; ratios."""
    found: dict[str, float] = {"drains": drains, "long_readings": long, "short_readings": short}
    for name, count in (("short", short), ("long", long)):
        cold, warm = _page(folder / name, drains, count)
        found |= {f"{name}_cold_s": round(cold, 3), f"{name}_warm_s": round(warm, 4)}
        found[f"{name}_cold_by_warm"] = round(cold / warm, 1)
    found["warm_ratio"] = round(found["long_warm_s"] / found["short_warm_s"], 2)
    found["cold_ratio"] = round(found["long_cold_s"] / found["short_cold_s"], 2)
    return found


def _page(folder: Path, drains: int, readings: int) -> tuple[float, float]:
    folder.mkdir()
    with running(sqlite_url(folder)) as (store, intake):
        raws = list(hourly_readings(readings * drains, drains=drains))
        for start in range(0, len(raws), 2000):
            send(intake, *raws[start : start + 2000])
        views = Views(store, mappings().rules, renderer=renderer_of)
        times = []
        for _ in range(2):
            started = time.perf_counter()
            assert len(views.drains(TENANT, "", _PAGE)[0]) == min(drains, _PAGE)
            times.append(time.perf_counter() - started)
    return times[0], times[1]
