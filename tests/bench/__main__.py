"""Measures what is promised, in ratios within one run: `python -m tests.bench [--readings N]`. Prints one JSON object.

pipeline   NDJSON bytes to R4 bytes, against the plain way over the same records (tests/bench/plain.py)
stream     `drainledger convert --assume-ordered`: readings a second, resources a reading, peak memory at N/10 and N
store      records with their resources made durable a second, on SQLite and on PostgreSQL
intake     requests of 10,000 records through the intake, and a request of one that comes meanwhile
start      `drainledger serve` until it is ready, on the wall's clock and the processor's
listing    a page of drains with long histories, first read and read again, against short ones
late       a late level into a drain of 10,000 readings, against one of 100
search     a page by patient, code and date over 1,000,000 Observations, against 10,000; a patient's last page; a page
           of everybody's
export     a bulk export of 1,000,000 Observations, against reading the same rows and writing their bodies to a file
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from tests.bench.export import export
from tests.bench.intake import intake_cost
from tests.bench.late import late_cost
from tests.bench.listing import listing
from tests.bench.pipeline import compare
from tests.bench.search import search
from tests.bench.start import start
from tests.bench.store import durable
from tests.bench.stream import stream


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--readings", type=int, default=100_000, help="readings in the stream")
    parser.add_argument("--plain", type=int, default=1_000, help="readings that the plain way is given")
    parser.add_argument("--rounds", type=int, default=3, help="rounds of the pipeline; the median counts")
    wanted = parser.parse_args()
    found: dict[str, object] = {"pipeline": compare(wanted.plain, wanted.rounds)}
    with tempfile.TemporaryDirectory() as folder:
        found["stream"] = stream(wanted.readings, Path(folder))
        found["store"] = durable(Path(folder))
        found["intake"] = intake_cost(Path(folder))
        found["start"] = start(Path(folder))
        found["export"] = export(Path(folder) / "export")
        found["search"] = search(Path(folder) / "search")
        found["listing"] = listing(Path(folder), drains=20, long=500, short=50)
    found["late"] = late_cost(long=10_000, short=100)
    json.dump(found, sys.stdout, indent=2)
    sys.stdout.write("\n")


if __name__ == "__main__":
    main()
