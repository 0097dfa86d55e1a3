"""Over HTTP the same ledger and the same resources come out as from `convert`, whatever the order, the batches and the
number of senders (DESIGN 5, invariant 3): a real service on SQLite, and two processes on one PostgreSQL."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest

from drainledger.store.store import Store
from tests.acceptance.converted import converted, lines_of
from tests.acceptance.processes import key_for
from tests.crash.service import Service, settings
from tests.intake.service import latest
from tests.intake.test_same_as_convert import batches, by_convert, comparable, is_adapter
from tests.journals.books import FIXTURES

_SENDERS = 8
_SEEDS = 200
_STEP = 20


def send_all(services: Sequence[Service], key: str, lines: Sequence[bytes], seed: int) -> None:
    """Everything, shuffled, in random batches, by several senders at once."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/x-ndjson"}

    def post(numbered: tuple[int, list[bytes]]) -> None:
        number, batch = numbered
        base = services[number % len(services)].base
        body = b"\n".join(batch)
        answer = client.post(f"{base}/v1/records", content=body, headers=headers)
        assert answer.status_code in (200, 207, 422), answer.text

    with httpx.Client(trust_env=False, timeout=60) as client, ThreadPoolExecutor(_SENDERS) as pool:
        list(pool.map(post, enumerate(batches(lines, seed))))


def ledgers(service: Service, key: str) -> dict[str, Any]:
    """Every drain's ledger as the service tells it."""
    headers = {"Authorization": f"Bearer {key}"}
    with httpx.Client(base_url=service.base, headers=headers, trust_env=False, timeout=60) as client:
        drains = client.get("/v1/drains", params={"limit": 100}).json()["drains"]
        found = {}
        for drain in drains:
            answer = client.get(f"/v1/drains/{drain['drain']}/ledger")
            assert answer.status_code == 200, answer.text
            found[drain["drain"]] = answer.json()["drains"][0]
        return found


def assert_same(running: tuple[Store, list[Service]], tenant: str, lines: Sequence[bytes], seed: int) -> None:
    store, services = running
    key = key_for(store, tenant)
    send_all(services, key, lines, seed)
    wanted = {each["drain"]: each for each in json.loads(converted(lines, emit="ledger"))["drains"]}
    for service in services:
        assert ledgers(service, key) == wanted
    ours = comparable(latest(store, tenant))
    theirs = comparable(by_convert(lines, tenant, settings("")["DRAINLEDGER_PATIENT_SECRET"].encode()))
    theirs = {reference: content for reference, content in theirs.items() if not is_adapter(content)}
    assert ours.keys() == theirs.keys()
    for reference, content in theirs.items():
        assert ours[reference] == content, reference


def test_the_demo(running: tuple[Store, list[Service]]) -> None:
    assert_same(running, "demo", (FIXTURES / "ward.ndjson").read_bytes().splitlines(), 1)


def test_generated_journals(running: tuple[Store, list[Service]]) -> None:
    for seed in range(_STEP):
        assert_same(running, f"tenant-{seed}", lines_of(seed, 40), seed)


@pytest.mark.deep
@pytest.mark.parametrize("first", range(_STEP, _SEEDS, _STEP))
def test_more_generated_journals(running: tuple[Store, list[Service]], first: int) -> None:
    for seed in range(first, first + _STEP):
        assert_same(running, f"tenant-{seed}", lines_of(seed, 40), seed)
