"""Calls that the end of the service, or of their caller, overtakes: each is told what is true, and nothing is lost."""

from __future__ import annotations

import asyncio
import json
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.crash.service import SERVE, Service, drainledger, settings
from tests.web.http import NDJSON, Http
from tests.web.ward import BED, reading

STOP_SECONDS = 0.3
#: What a part that is being committed may take on a small machine, and the end of a process.
MOST_OVER = 5.0
LARGE = 6_000


def test_a_call_that_is_cut_off_is_told_so_and_its_records_are_written(http: Http) -> None:
    """Cancelled as the server does when time is up, with its record on the way."""
    http.post(*BED)
    service = http.app.state.service
    body = json.dumps(reading("r-1", 7, 40)).encode()

    async def cut_off() -> httpx.Response:
        with service.store.database.write():
            call = asyncio.create_task(
                http._client.post(
                    "/v1/records",
                    content=body,
                    headers={"Content-Type": NDJSON, "Authorization": f"Bearer {http.key}"},
                )
            )
            await asyncio.sleep(0.5)
            call.cancel()
            return await call

    told = http._runner.run(cut_off())
    assert (told.status_code, told.json()["code"]) == (503, "stopping")
    assert "not known whether they were taken" in told.json()["detail"]
    assert told.headers["retry-after"]
    assert http.get("/health/ready").status_code == 200
    again = http.post(reading("r-1", 7, 40), reading("r-2", 8, 50))
    assert [result["status"] for result in again.json()["results"]] == ["duplicate", "accepted"]


@pytest.fixture
def hasty(tmp_path: Path) -> Iterator[tuple[Service, str]]:
    environment = settings(f"sqlite:///{tmp_path}/ward.db") | {"DRAINLEDGER_STOP_SECONDS": str(STOP_SECONDS)}
    drainledger("db", "upgrade", environment=environment)
    scopes = [word for scope in ("records.write", "read") for word in ("--scope", scope)]
    key = drainledger("keys", "create", "--tenant", "t", "--source", "ward", *scopes, environment=environment)
    service = Service(SERVE, environment, tmp_path / "log")
    service.start()
    try:
        yield service, key.strip()
    finally:
        service.end()


def large() -> bytes:
    """A bed, and readings a minute apart."""
    readings = (
        reading(f"r-{place}", 7, place // 10)
        | {
            "at": f"2026-{3 + place // 40320:02}-{1 + place // 1440 % 28:02}T{place // 60 % 24:02}:{place % 60:02}:00Z"
        }
        for place in range(1440, 1440 + LARGE - len(BED))
    )
    return b"\n".join(json.dumps(one).encode() for one in (*BED, *readings))


def test_a_stop_in_the_midst_of_a_large_batch_answers_every_caller(hasty: tuple[Service, str]) -> None:
    """What was answered 200 is there after the restart; whoever was refused may send again, and loses nothing."""
    service, key = hasty
    bodies = {"large": large()} | {f"z-{n}": json.dumps(BED[0] | {"id": f"z-{n}"}).encode() for n in range(5)}
    headers = {"Authorization": f"Bearer {key}", "Content-Type": NDJSON}
    answers: dict[str, httpx.Response] = {}

    def post(name: str) -> None:
        with httpx.Client(base_url=service.base, headers=headers, trust_env=False, timeout=60) as client:
            answers[name] = client.post("/v1/records", content=bodies[name])

    callers = [threading.Thread(target=post, args=(name,)) for name in bodies]
    callers[0].start()
    with httpx.Client(base_url=service.base, headers=headers, trust_env=False, timeout=60) as client:
        while client.get("/v1/drains/drn-7").status_code != 200:
            time.sleep(0.05)  # until its first part is there
    for caller in callers[1:]:
        caller.start()
    time.sleep(0.1)
    assert service._process is not None
    service._process.send_signal(signal.SIGTERM)
    began = time.monotonic()
    assert service._process.wait(60) == 0
    assert time.monotonic() - began < STOP_SECONDS + MOST_OVER
    for caller in callers:
        caller.join(30)
    assert answers.keys() == bodies.keys()
    told = answers["large"].json()
    assert (answers["large"].status_code, told["code"]) == (503, "partly-taken")
    assert "Send all of them again" in told["detail"]
    assert {(one.status_code, one.json().get("code")) for one in answers.values()} <= {
        (200, None),
        (503, "partly-taken"),
        (503, "stopping"),
    }
    first = answers.copy()
    service.start()
    for name in bodies:
        post(name)
        answered = answers[name].json()
        assert answers[name].status_code == 200, answered
        if first[name].status_code == 200:
            assert answered["duplicates"] == 1
    taken = int(told["detail"].split()[2])
    assert answers["large"].json()["duplicates"] >= taken > 0
    assert answers["large"].json()["accepted"] + answers["large"].json()["duplicates"] == LARGE
