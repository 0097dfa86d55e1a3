"""How long one reading of the shape of r-1 (DESIGN 3) takes: `python -m tests.validation.measure_speed`."""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable
from itertools import cycle

from drainledger.domain.validation import decode, parse
from tests.validation.samples import RECEIVED_AT, SOURCE, UNITS
from tests.validation.test_good_records import THE_READING

_RUNS = 20_000


def microseconds(call: Callable[[], object]) -> float:
    """The best of five runs, a call."""
    return min(timeit.repeat(call, number=_RUNS, repeat=5)) / _RUNS * 1e6


def differing() -> list[bytes]:
    """50,000 readings that differ in id, minute and level, so that no memory of times or levels helps much."""
    line = THE_READING.replace(b"\n", b"")
    return [
        line.replace(b'"r-1"', b'"r-%d"' % n)
        .replace(
            b"2026-03-02T07:00",
            b"2026-%02d-%02dT%02d:%02d" % (n % 2 + 1, n // 1440 % 28 + 1, n // 60 % 24, n % 60),
        )
        .replace(b'"value":40', b'"value":%d.%d' % (n % 2000, n % 10))
        for n in range(50_000)
    ]


def main() -> None:
    def whole(line: bytes) -> object:
        return parse(decode(line), source=SOURCE, units=UNITS, received_at=RECEIVED_AT)

    raw, lines = decode(THE_READING), cycle(differing())
    rows = {
        "decode, the same reading": microseconds(lambda: decode(THE_READING)),
        "parse, the same reading": microseconds(
            lambda: parse(raw, source=SOURCE, units=UNITS, received_at=RECEIVED_AT)
        ),
        "decode + parse, the same reading": microseconds(lambda: whole(THE_READING)),
        "decode + parse, readings that differ": microseconds(lambda: whole(next(lines))),
    }
    for name, each in rows.items():
        sys.stdout.write(f"{name:40}{each:6.1f} us\n")


if __name__ == "__main__":
    main()
