"""The worked cases of DESIGN 4 over HTTP: a real service on SQLite, and two processes on one PostgreSQL.

Each case is a tenant of its own. On PostgreSQL what one process was sent is read from the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any, NamedTuple

import httpx
import pytest

from drainledger.store.store import Store
from tests.acceptance.processes import key_for
from tests.crash.service import Service
from tests.journals.books import SOURCE, line
from tests.journals.raw import DRAIN, at, instant
from tests.worked.cases import CASES, Case, Rolling, Step

Json = dict[str, Any]

#: What the table does not speak of: notes about a level or a start, and charting rules (`mappings/attention.toml`).
_BESIDE = {"start-level-not-known", "closing-level-not-charted", "chamber-nearly-full", "large-rise"}
_OFFERED_HOURS = (1, 4, 8, 12, 24)
_PARTS = ("chamber-level", "interval-output", "running-total")

#: The versions that a step writes, by case and step: all those of levels, outputs and totals, and no others.
#: From DESIGN 4: the rows of the table that speak of versions, and 'Late, corrected, retracted' for their statuses.
_LATE = {
    "r-0800.chamber-level": (1, "final"),
    "r-0800.interval-output": (1, "final"),
    "r-0800.running-total": (1, "final"),
    "r-0900.interval-output": (2, "amended"),
}
VERSIONS: dict[tuple[int, int], dict[str, tuple[int, str]]] = {
    (8, 1): _LATE,
    (9, 1): _LATE,
    (9, 2): {
        "r-0800.chamber-level": (2, "corrected"),
        "r-0800.interval-output": (2, "amended"),
        "r-0800.running-total": (2, "amended"),
        "r-0900.interval-output": (3, "amended"),
    },
    (10, 1): _LATE,
    (10, 2): {
        "r-0800.chamber-level": (2, "entered-in-error"),
        "r-0800.interval-output": (2, "entered-in-error"),
        "r-0800.running-total": (2, "entered-in-error"),
        "r-0900.interval-output": (3, "amended"),
    },
    (15, 1): {
        "r-0800.interval-output": (1, "final"),
        "r-0800.running-total": (1, "final"),
        "r-0900.interval-output": (2, "amended"),  # its period now starts at 08:00
        "r-0900.running-total": (2, "amended"),
    },
}


class Ward(NamedTuple):
    """One tenant's way in and way out."""

    send: httpx.Client
    ask: httpx.Client

    def post(self, step: Step) -> Json:
        body = b"\n".join(line(raw) for raw in step.sent)
        answer = self.send.post("/v1/records", content=body, headers={"Content-Type": "application/x-ndjson"})
        assert answer.status_code == 200, answer.text
        told: Json = answer.json()
        assert (told["accepted"], told["held"], told["waiting"]) == (len(step.sent), 0, 0)
        return told

    def get(self, path: str, **query: Any) -> Json:
        answer = self.ask.get(path, params=query)
        assert answer.status_code == 200, answer.text
        found: Json = answer.json()
        return found

    def ledger(self) -> Json:
        found: Json = self.get(f"/v1/drains/{DRAIN}/ledger")["drains"][0]
        return found


@pytest.fixture(params=CASES, ids=lambda case: f"{case.number}-{case.says.replace(' ', '-')}")
def case(request: pytest.FixtureRequest) -> Case:
    chosen: Case = request.param
    return chosen


@pytest.fixture
def ward(running: tuple[Store, list[Service]], case: Case) -> Iterator[Ward]:
    store, services = running
    headers = {"Authorization": f"Bearer {key_for(store, f'case-{case.number}')}"}
    clients = [
        httpx.Client(base_url=one.base, headers=headers, trust_env=False, timeout=60)
        for one in (services[0], services[-1])
    ]
    try:
        yield Ward(*clients)
    finally:
        for client in clients:
            client.close()


def test_all_of_the_table_is_sent() -> None:
    assert [case.number for case in CASES] == list(range(1, 26))
    assert {number for number, _ in VERSIONS} == {8, 9, 10, 15}


def test_a_case(ward: Ward, case: Case) -> None:
    for number, step in enumerate(case.steps):
        answer = ward.post(step)
        ledger = ward.ledger()
        assert_ledger(ledger, step)
        for window in step.rolling:
            assert_rolling(ward, ledger, window)
        if (wanted := VERSIONS.get((case.number, number))) is not None:
            assert written(ward, answer) == wanted
        assert_traced(ward, answer, step)


def shown(value: str | None, bound: str) -> str:
    if value is None:
        return "?"
    return f">={value}" if bound == "at-least" else value


def assert_ledger(ledger: Json, step: Step) -> None:
    totals = ledger["totals"]
    assert tuple(shown(one["output_ml"], one["bound"]) for one in ledger["intervals"]) == step.outputs
    assert shown(totals[-1]["total_ml"], totals[-1]["bound"]) == step.total
    assert {one["code"] for one in ledger["findings"]} - _BESIDE == step.findings
    assert {one["record"] for one in ledger["set_aside"]} == step.set_aside
    for record, wanted in step.total_at.items():
        assert shown(*total_at(ledger, clock_of(record))) == wanted
    if step.net is not None:
        assert totals[-1]["net_ml"] == step.net
    if step.output_deviation is not None:
        assert ledger["intervals"][-1]["output_sd_ml"] == step.output_deviation
    if step.total_deviation is not None:
        assert totals[-1]["total_sd_ml"] == step.total_deviation
    if step.windows:
        shifts = {
            (one["name"].removeprefix("shift-"), one["start"][:10]): one["total_ml"]
            for one in ledger["windows"]
            if one["name"] != "ward-day"
        }
        assert shifts == step.windows


def clock_of(record: str) -> str:
    """ "07:00" of "r-0700"."""
    return f"{record[2:4]}:{record[4:]}"


def total_at(ledger: Json, clock: str) -> tuple[str, str]:
    (found,) = [one for one in ledger["totals"] if one["at"] == at(clock)]
    return found["total_ml"], found["bound"]


def net_at(ledger: Json, clock: str) -> int:
    (found,) = [one["net_ml"] for one in ledger["totals"] if one["at"] == at(clock)]
    return int(found)


def assert_rolling(ward: Ward, ledger: Json, wanted: Rolling) -> None:
    """Over hours that are offered by the window itself; over others by the nets of the totals at its ends."""
    hours = (instant(wanted.end) - instant(wanted.start)) // timedelta(hours=1)
    if hours not in _OFFERED_HOURS:
        assert net_at(ledger, wanted.end) - net_at(ledger, wanted.start) == int(wanted.net)
        return
    found = ward.get(f"/v1/drains/{DRAIN}/windows", rolling=hours, end=at(wanted.end))["rolling"]
    assert (found["total_ml"], found["bound"], found["net_ml"]) == (wanted.total, wanted.bound, wanted.net)


def written(ward: Ward, answer: Json) -> dict[str, tuple[int, str]]:
    """The versions of levels, outputs and totals that a step wrote, by the record that each leads home to."""
    return {
        f"{home(ward, one['reference'])}.{one['reference'].rpartition('.')[2]}": (
            one["version"],
            one["status"],
        )
        for result in answer["results"]
        for one in result["resources"]
        if one["reference"].endswith(_PARTS)
    }


def home(ward: Ward, reference: str) -> str:
    record: str = ward.get(f"/v1/trace/{reference}")["received"][0]["record"]
    return record


def assert_traced(ward: Ward, answer: Json, step: Step) -> None:
    """Each record's bytes are kept as they were sent, under the name that it has."""
    for raw, result in zip(step.sent, answer["results"], strict=True):
        space = raw["record"] if raw["record"] in ("drain", "collector") else SOURCE
        received = ward.get(f"/v1/trace/{space}/{result['id']}")["received"]
        assert line(raw).decode() in [one["raw"] for one in received]
