"""NDJSON bytes to R4 bytes: the program against the plain way, on readings of the shape of DESIGN 3's r-1."""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Iterable, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from tests.acceptance.converted import converted
from tests.bench.plain import plainly
from tests.journals.books import line
from tests.journals.seeded import hourly_readings

_DRAINS = 5


def compare(readings: int, rounds: int) -> dict[str, float]:
    """Microseconds a reading for both, median of `rounds`, and how many times faster the program is."""
    lines = [line(raw) for raw in hourly_readings(readings, _DRAINS)]
    made, plain = converted(lines, tenant="t").splitlines(), list(plainly(lines))
    assert_same(made, plain)
    fast, slow = [], []
    for _ in range(rounds):
        fast.append(_timed(lambda: converted(lines, tenant="t")))
        slow.append(_timed(lambda: list(plainly(lines))))
    fast_us, slow_us = (statistics.median(found) * 1e6 / readings for found in (fast, slow))
    return {
        "readings": readings,
        "resources": len(made),
        "plain_resources": len(plain),
        "program_us_per_reading": round(fast_us, 1),
        "plain_us_per_reading": round(slow_us, 1),
        "times_faster": round(slow_us / fast_us, 1),
    }


def _timed(work: Any) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def assert_same(made: Sequence[bytes], plain: Iterable[bytes]) -> None:
    """Every resource of the plain way is the program's, element by element; the program makes others besides
    (devices, uses, windows), which count against it."""
    by_id = {(each["resourceType"], each["id"]): each for each in map(_read, made)}
    for text in plain:
        resource = _read(text)
        ours = by_id[(resource["resourceType"], resource["id"])]
        assert _settled(ours) == _settled(resource), resource["id"]


def _read(text: bytes) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text, parse_float=Decimal, parse_int=Decimal)
    return found


def _settled(value: Any) -> Any:
    """Instants and numbers by what they mean: the models rewrite how they are spelled."""
    if isinstance(value, dict):
        return {name: _settled(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_settled(each) for each in value]
    if isinstance(value, str) and len(value) > 18 and value[4:5] == "-" and value[10:11] == "T":
        return datetime.fromisoformat(value)
    return value
