"""How fast an intake takes records, in requests of 10,000: one drain's readings, and those of 3,333 drains; and how
long a request of one record waits that comes in the midst of a large one."""

from __future__ import annotations

import time
from datetime import timedelta
from pathlib import Path
from typing import Any

from drainledger.intake.answers import Submission
from drainledger.intake.intake import Intake
from tests.intake.service import TENANT, running, sqlite_url
from tests.journals.books import line
from tests.journals.raw import FIRST_DAY, Raw, collector, connected, drain, level

_DRAINS = 3_333
_READINGS = 10_000


def intake_cost(folder: Path) -> dict[str, dict[str, float]]:
    """Records a second on the wall's clock, and microseconds of the processor a record, for each kind of request."""
    with running(sqlite_url(folder)) as (_, intake):
        _send(intake, _bed(0))
        return {
            "one_drain": _measured(intake, [_reading(0, minute * 3) for minute in range(_READINGS)]),
            "new_drains": _measured(
                intake, [raw for number in range(1, _DRAINS + 1) for raw in _bed(number)]
            ),
            "many_drains": _measured(
                intake, [_reading(number, hour * 60) for hour in range(3) for number in range(1, _DRAINS + 1)]
            ),
            "one_record_meanwhile": _meanwhile(intake),
        }


def _bed(number: int) -> list[Raw]:
    patient = {"system": "https://ward.example/mrn", "value": f"P-{number}"}
    unit = f"col-{number}"
    return [
        drain(f"drn-{number}", patient=patient),
        collector(unit),
        connected("06:00", unit=unit, drain=f"drn-{number}", id=f"on-{number}"),
    ]


def _reading(number: int, minutes: int) -> Raw:
    """Not over the unit's 2,000 mL within 10,000 readings 3 minutes apart."""
    at = (FIRST_DAY + timedelta(hours=7, minutes=minutes)).isoformat()
    more: dict[str, Any] = {"id": f"r-{number}-{minutes}", "drain": f"drn-{number}"}
    return level("07:00", minutes // 20, **more) | {"at": at}


def _measured(intake: Intake, raws: list[Raw]) -> dict[str, float]:
    wall, processor = time.perf_counter(), time.process_time()
    _send(intake, raws)
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    return {
        "records_per_s": round(len(raws) / wall),
        "processor_us_a_record": round(processor / len(raws) * 1e6),
    }


def _meanwhile(intake: Intake) -> dict[str, float]:
    """Seconds that a large request takes, and the longest that one of a single record waits while it does."""
    began = time.perf_counter()
    large = intake.submit(_submission([_reading(0, minute * 3 + 1) for minute in range(_READINGS)]))
    longest, count = 0.0, 0
    while not large.done():
        sent = time.perf_counter()
        _send(intake, [drain(f"late-{count}")])
        longest, count = max(longest, time.perf_counter() - sent), count + 1
    return {"large_s": round(time.perf_counter() - began, 2), "longest_s": round(longest, 3), "single": count}


def _send(intake: Intake, raws: list[Raw]) -> None:
    answer = intake.submit(_submission(raws)).result()
    assert answer.accepted == len(raws), "all are taken"


def _submission(raws: list[Raw]) -> Submission:
    lines = tuple(map(line, raws))
    return Submission(tenant=TENANT, source="ward", lines=lines, principal="bench", request_id="bench")
