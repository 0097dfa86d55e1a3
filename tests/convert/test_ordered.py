"""--assume-ordered gives what the whole file at once gives, and reports what comes too late for it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.convert import cli
from tests.convert.journals import Raw, collector, correction, drain, event, ml, reading, retraction, start

START = datetime(2026, 3, 26, 6, tzinfo=UTC)
STEP = timedelta(minutes=10)


def long_journal() -> list[Raw]:
    """Two drains over eight days and a change of clocks, 2300 readings: more than what is let go of at once. Units are
    changed when full, one is tipped, and readings are corrected and retracted an hour after they were made. A third
    drain was taken out on the first day without a level read; somebody looked at the bed twice after that."""
    journal: list[Raw] = []
    for name in ("1", "2"):
        journal += [drain(f"drn-{name}", f"P-{name}"), collector(f"col-{name}-0")]
        at = START.isoformat()
        journal.append(
            event(
                f"ev-{name}",
                "connected",
                at,
                f"drn-{name}",
                collector=f"col-{name}-0",
                chamber="A",
                start_level=ml(0),
            )
        )
    journal += [drain("drn-3", "P-3"), collector("col-3-0")]
    journal += [event("ev-3", "connected", START.isoformat(), "drn-3", collector="col-3-0", chamber="A")]
    journal += [event("out-3", "removed", (START + 6 * STEP).isoformat(), "drn-3")]
    journal += [
        reading(f"r-3-{n}", (START + n * STEP).isoformat(), None, "drn-3", tidaling="absent")
        for n in (12, 18)
    ]
    level, unit = {"1": 0, "2": 0}, {"1": 0, "2": 0}
    for step in range(1, 1151):
        at = (START + step * STEP).isoformat()
        for name in ("1", "2"):
            level[name] += (step * int(name)) % 7 * 2
            one = reading(f"r-{name}-{step}", at, level[name], f"drn-{name}", tidaling="present")
            journal.append(one)
            if step % 97 == 0:
                made_at = (START + step * STEP + timedelta(minutes=5)).isoformat()
                if name == "1":
                    journal.append(correction(f"c-{step}", one, made_at, level=ml(level[name] - 2)))
                else:
                    journal.append(retraction(f"x-{step}", one["id"], made_at))
            if level[name] > 1500:
                unit[name] += 1
                new, level[name] = f"col-{name}-{unit[name]}", 0
                changed = (START + step * STEP + timedelta(minutes=6)).isoformat()
                journal += [
                    collector(new),
                    event(f"ev-{new}", "replaced", changed, f"drn-{name}", collector=new, chamber="A"),
                ]
    return journal


def split(done_stdout: bytes) -> list[bytes]:
    return sorted(done_stdout.splitlines())


@pytest.fixture(scope="module")
def journal() -> list[Raw]:
    made = long_journal()
    time_of = {id(one): one.get("at") or one.get("made_at") for one in made}
    times = [time for one in made if (time := time_of[id(one)])]
    assert len(made) > 2300
    # Nothing is out of order but what shares a step of ten minutes; sorted, it is in order.
    assert len(set(times)) > 1150
    last = START.isoformat()
    keyed = []
    for one in made:
        last = max(last, time_of[id(one)] or last)
        keyed.append((time_of[id(one)] or last, one))
    return [one for _, one in sorted(keyed, key=lambda pair: pair[0])]


@pytest.mark.parametrize("emit", ["resources", "ledger", "ledger-csv", "summary"])
def test_a_file_in_order_gives_the_same_either_way(journal: list[Raw], emit: str) -> None:
    whole = cli.convert(journal, emit=emit)
    streamed = cli.convert(journal, "--assume-ordered", emit=emit)
    assert (streamed.returncode, streamed.stderr) == (0, b"")
    if emit in ("ledger", "summary"):
        assert streamed.stdout == whole.stdout
    else:
        # Drains take turns as they are read, instead of one after the other.
        assert split(streamed.stdout) == split(whole.stdout)


def test_transactions_end_up_with_the_same_resources_and_lead_nowhere_unknown(journal: list[Raw]) -> None:
    def final(*arguments: str) -> tuple[dict[str, Any], bool]:
        here: dict[str, Any] = {}
        resolved = True
        for line in cli.convert(journal, *arguments, emit="transaction").stdout.splitlines():
            entries = json.loads(line)["entry"]
            here.update((entry["request"]["url"], entry["resource"]) for entry in entries)
            resolved = resolved and all(
                one in here for entry in entries for one in references(entry["resource"])
            )
        return here, resolved

    whole, streamed = final(), final("--assume-ordered")
    assert streamed[0] == whole[0]
    assert streamed[1]


def test_what_comes_late_is_reported_and_left_out(journal: list[Raw]) -> None:
    last = datetime.fromisoformat(journal[-1]["at"])
    slack = timedelta(hours=12)
    just_in_time = reading("r-slow", (last - slack).isoformat(), None, "drn-1", tidaling="present")
    late = reading("r-late", (last - slack - timedelta(seconds=1)).isoformat(), 1, "drn-1")
    done = cli.convert([*journal, just_in_time, late], "--assume-ordered")
    assert done.returncode == 1
    (told,) = cli.told(done)
    assert (told["line"], told["id"], told["status"]) == (len(journal) + 2, "r-late", "late-record")
    assert told["problems"][0]["pointer"] == "/at"
    ledger = json.loads(done.stdout)["drains"][0]
    assert all("r-late" not in interval["records"] for interval in ledger["intervals"])
    assert ledger["held"] == 1


@pytest.mark.parametrize(
    ("late", "pointer"),
    [
        (lambda: retraction("x-late", "r-1-5", "2026-04-03T07:00:00+00:00"), "/retracts"),
        (
            lambda: correction(
                "c-late",
                reading("r-1-5", "2026-03-26T06:50:00+00:00", 3, "drn-1"),
                "2026-04-03T07:00:00+00:00",
            ),
            "/corrects",
        ),
        (
            lambda: correction(
                "c-back",
                reading("r-1-1149", "2026-03-26T06:55:00+00:00", 3, "drn-1"),
                "2026-04-03T07:00:00+00:00",
            ),
            "/corrects",
        ),
        (lambda: retraction("x-drain", "drn-1", "2026-04-03T07:00:00+00:00"), "/retracts"),
    ],
    ids=["retraction", "correction", "correction to an earlier time", "retraction of a drain"],
)
def test_a_change_of_what_is_written_out_is_late(journal: list[Raw], late: Any, pointer: str) -> None:
    done = cli.convert([*journal, late()], "--assume-ordered")
    assert done.returncode == 1
    (told,) = cli.told(done)
    assert (told["status"], told["problems"][0]["pointer"]) == ("late-record", pointer)


def test_records_that_wait_are_told_at_the_end() -> None:
    done = cli.convert([*start(), reading("r-9", "09:00", 10, "drn-unheard-of")], "--assume-ordered")
    assert [(told["line"], told["status"]) for told in cli.told(done)] == [(4, "waiting")]
    assert json.loads(done.stdout)["waiting_records"][0]["record"] == "r-9"


def references(node: object) -> list[str]:
    if isinstance(node, list):
        return [found for child in node for found in references(child)]
    if not isinstance(node, dict):
        return []
    mine = [node["reference"]] if isinstance(node.get("reference"), str) else []
    return mine + [found for child in node.values() for found in references(child)]
