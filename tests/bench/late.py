"""A late level into a long history against one into a short one."""

from __future__ import annotations

import statistics
import time
from datetime import timedelta

from msgspec.structs import replace

from drainledger.domain.book import Book, load
from drainledger.domain.records import Key, Reading, Record
from tests.journals.books import mappings, records_of
from tests.journals.seeded import hourly_readings

_TRIES = 200


def late_cost(long: int, short: int) -> dict[str, float]:
    """Median microseconds to take a late level in and refold, in drains of so many readings; their ratio."""
    # Alternating, so that whatever else the machine does falls on both.
    books = {count: load(_records(count), mappings().rules) for count in (short, long)}
    times: dict[int, list[float]] = {short: [], long: []}
    for number in range(_TRIES):
        for count, book in books.items():
            times[count].append(_one(book, count, number))
    medians = {count: statistics.median(found) * 1e6 for count, found in times.items()}
    return {
        "short_us": round(medians[short], 1),
        "long_us": round(medians[long], 1),
        "ratio": round(medians[long] / medians[short], 3),
    }


def _records(count: int) -> list[Record]:
    return records_of(hourly_readings(count, drains=1))


def _one(book: Book, count: int, number: int) -> float:
    (ledger,) = (book.ledger(drain) for drain in book.drain_ids())
    assert ledger is not None
    readings = [
        node for node in ledger.nodes if isinstance(node.record, Reading) and node.interval is not None
    ]
    near = readings[len(readings) // 4 + (number * 7) % (len(readings) // 2)]
    assert isinstance(near.record, Reading)
    late = replace(
        near.record, key=Key("reading", "ward", f"late-{number}"), at=near.record.at + timedelta(minutes=20)
    )
    started = time.perf_counter()
    book.add(late)
    book.refold()
    return time.perf_counter() - started
