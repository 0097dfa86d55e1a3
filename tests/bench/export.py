"""A bulk export against the plain way: reading the same rows from the database and writing their bodies to a file.

The best time of each out of five in turns; the peak memory of a process that exports a tenth, and of one that exports
all.
"""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select

from drainledger.rest.export import Export, Order
from drainledger.rest.ndjson import Files
from drainledger.rest.rest import Rest
from drainledger.store import codec
from drainledger.store.migrations import upgrade
from drainledger.store.schema import versions
from drainledger.store.store import Store
from tests.bench.search import _observations, _one_patient, fill
from tests.intake.service import TENANT, renderer_of, sqlite_url

_MOST = 100_000
_STREAMED = {"yield_per": 1000}


def export(folder: Path, observations: int = 1_000_000) -> dict[str, Any]:
    """Seconds of an export of so many Observations and of the plain way, their ratio; peak MiB at a tenth and all."""
    folder.mkdir(exist_ok=True)
    rows = _one_patient(folder / "one")
    found: dict[str, Any] = {}
    for name, count in (("tenth", observations // 10), ("all", observations)):
        place = folder / name
        place.mkdir()
        upgrade(sqlite_url(place))
        store = Store.open(sqlite_url(place))
        fill(store, rows, max(1, count // _observations(rows)))
        store.close()
        times: dict[str, list[float]] = {"plain": [], "export": []}
        for way in ("plain", "export") * 5:
            told = subprocess.run(
                (sys.executable, "-m", "tests.bench.export", way, str(place)),
                check=True,
                capture_output=True,
                text=True,
            )
            one = json.loads(told.stdout)
            times[way].append(one.pop("s"))
            found |= {f"{name}_{way}_{what}": value for what, value in one.items()}
        # The best of each: what else goes on here adds to a time, and takes nothing from it.
        best = {way: min(took) for way, took in times.items()}
        found |= {f"{name}_{way}_s": took for way, took in best.items()}
        found[f"{name}_ratio"] = round(best["export"] / best["plain"], 2)
    return found


def plain(store: Store, out: Path) -> int:
    """All rows by key, and each body on a line; put on disk, as an export is."""
    done = 0
    columns = versions.c
    query = select(
        columns.id, columns.seq, columns.received_at, columns.patient, columns.parts, columns.bodies
    )
    with store.database.read(unhurried=True) as connection, (out / "plain.ndjson").open("wb") as opened:
        for row in connection.execute(
            query.where(columns.tenant == TENANT).order_by(columns.id, columns.seq),
            execution_options=_STREAMED,
        ):
            for body in codec.decode_bodies(row.bodies).values():
                opened.write(body + b"\n")
                done += 1
        opened.flush()
        os.fsync(opened.fileno())
    return done


def exported(store: Store, out: Path) -> int:
    """As a worker does it, all types that are stored."""
    with store.read(TENANT) as read:
        horizon = read.last_seq()
    order = Order(
        fhir="R4",
        level="system",
        types=("Patient", "Device", "DeviceMetric", "DeviceUseStatement", "Observation", "DetectedIssue"),
        url="",
    )
    files = Files(out, _MOST)
    Export(
        store,
        Rest(store, renderer_of).sources,
        renderer_of(TENANT),
        TENANT,
        order,
        horizon=horizon,
        as_of=datetime.now(UTC),
        shown=lambda resource: resource,
        going=lambda percent, done: None,
    ).write(files)
    files.close()
    return files.done


def main(way: str, folder: str) -> None:
    gc.set_threshold(50_000, 20, 50)  # as a service has it (web/serve.py)
    store = Store.open(sqlite_url(Path(folder)))
    out = Path(folder) / way
    out.mkdir(exist_ok=True)
    for each in out.iterdir():
        each.unlink()
    began = time.perf_counter()
    done = (plain if way == "plain" else exported)(store, out)
    took = time.perf_counter() - began
    # Of this process alone: what getrusage tells can be that of whoever started it.
    status = Path("/proc/self/status").read_text()
    peak = int(status.partition("VmHWM:")[2].split()[0]) // 1024
    json.dump({"s": round(took, 2), "resources": done, "peak_mib": peak}, sys.stdout)


if __name__ == "__main__":
    main(*sys.argv[1:])
