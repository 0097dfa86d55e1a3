"""Bodies that are cut off, too long, too deep, or bombs: a 4xx that says what to do, and a service that goes on."""

from __future__ import annotations

import asyncio
import gzip
import json
import time
import zlib
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest

from drainledger.web.body import MOST_MEMBERS
from tests.web.http import Http, caller, settings_for
from tests.web.ward import BED, COLLECTOR, DRAIN

DEEP = 10**6
WHOLE = gzip.compress(json.dumps(DRAIN).encode())
BODIES: dict[str, tuple[bytes, dict[str, str], int, str]] = {
    "nothing": (b"", {}, 400, "no-records"),
    "blank": (b" \n\n ", {}, 400, "no-records"),
    "an empty array": (b"[]", {}, 400, "no-records"),
    "an array cut off": (json.dumps([DRAIN, COLLECTOR]).encode()[:-5], {}, 400, "bad-body"),
    "lists 10^6 deep": (b"[" * DEEP, {}, 400, "bad-body"),
    "lists 10^6 deep, closed": (b"[" * DEEP + b"]" * DEEP, {}, 400, "bad-body"),
    "objects 10^6 deep": (b'{"a":' * DEEP, {}, 413, "record-too-long"),
    "an array of objects 10^6 deep": (b"[" + b'{"a":' * DEEP, {}, 400, "bad-body"),
    "gzip cut off": (WHOLE[:-9], {"Content-Encoding": "gzip"}, 400, "bad-gzip"),
    "gzip that is none": (b"{}", {"Content-Encoding": "gzip"}, 400, "bad-gzip"),
    "gzip with something behind": (WHOLE + b"x", {"Content-Encoding": "gzip"}, 400, "bad-gzip"),
    "a bomb": (gzip.compress(b" " * (60 << 20)), {"Content-Encoding": "gzip"}, 413, "unpacks-too-far"),
    "another coding": (zlib.compress(b"{}"), {"Content-Encoding": "deflate"}, 415, "unsupported-coding"),
    "another type": (b"a,b", {"Content-Type": "text/csv"}, 415, "unsupported-type"),
    "a form": (b"{}", {"Content-Type": "application/x-www-form-urlencoded"}, 415, "unsupported-type"),
    "too many": (b"[" + b"{}," * 10_000 + b"{}]", {}, 413, "too-many-records"),
    "crumbs": (b"[" + b"1," * 2_000_000 + b"1]", {}, 413, "too-many-records"),
    "line ends": (b"x\n" * 2_000_000, {"Content-Type": "application/x-ndjson"}, 413, "too-many-records"),
    "one long record": (b'{"note":"' + b"x" * (1 << 20) + b'"}', {}, 413, "record-too-long"),
}


@pytest.mark.parametrize("name", BODIES)
def test_a_body_that_is_refused_costs_only_itself(http: Http, name: str) -> None:
    body, headers, status, code = BODIES[name]
    answered = http.call("POST", "/v1/records", content=body, headers=headers)
    assert (answered.status_code, answered.json()["code"]) == (status, code)
    assert http.app.state.service.budget.used == 0
    assert http.get("/v1/held").json()["held"] == []
    assert http.post(*BED).status_code == 200


def test_one_object_that_breaks_off_is_kept_as_held(http: Http) -> None:
    cut = json.dumps(DRAIN).encode()[:-7]
    answered = http.call("POST", "/v1/records", content=cut, headers={"Content-Type": "application/json"})
    assert answered.status_code == 422
    (held,) = http.get("/v1/held").json()["held"]
    assert held["raw"].encode() == cut


def test_a_body_over_the_limit_is_refused_before_and_while_it_comes(tmp_path: Path) -> None:
    async def drip() -> AsyncIterator[bytes]:
        for _ in range(100):
            yield b" " * 1000

    with caller(settings_for(tmp_path, max_body_bytes=10_000)) as http:
        announced = http.call("POST", "/v1/records", content=b" " * 10_001)
        assert (announced.status_code, announced.json()["code"]) == (413, "body-too-long")
        coming = http.call("POST", "/v1/records", content=drip())
        assert (coming.status_code, coming.json()["code"]) == (413, "body-too-long")


def test_a_slow_body_is_cut(tmp_path: Path) -> None:
    async def slow() -> AsyncIterator[bytes]:
        yield b"["
        await asyncio.sleep(30)

    async def post(client: httpx.AsyncClient) -> httpx.Response:
        return await client.post(
            "/v1/records", content=slow(), headers={"Authorization": f"Bearer {http.key}"}
        )

    with caller(settings_for(tmp_path, body_seconds=0.2)) as http:
        (answered,) = http.together([post])
        assert (answered.status_code, answered.json()["code"]) == (408, "body-too-slow")


def test_all_bodies_together_have_a_limit(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path, max_held_bytes=2000)) as http:
        answered = http.call("POST", "/v1/records", content=b" " * 3000)
        assert (answered.status_code, answered.json()["code"]) == (503, "busy")
        assert answered.headers["retry-after"] == "1"
        assert http.post(COLLECTOR).status_code == 200


def test_a_caller_who_asks_too_often_waits(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path, rate_per_second=0.001, rate_burst=3)) as http:
        found = [http.get("/v1/drains").status_code for _ in range(5)]
        assert found == [200, 200, 200, 429, 429]
        refused = http.get("/v1/drains")
        assert int(refused.headers["retry-after"]) > 900
        assert [http.get("/v1/drains", key=None).status_code for _ in range(4)] == [401, 401, 401, 429]


def test_a_body_of_very_many_members_is_refused_early(http: Http) -> None:
    """Empty members unpack to nothing, so that no limit of length would ever stop them."""
    member = gzip.compress(b"", mtime=0)
    begun = time.perf_counter()
    packed = {"Content-Encoding": "gzip", "Content-Type": "application/x-ndjson"}
    answered = http.call("POST", "/v1/records", content=member * (16_000_000 // len(member)), headers=packed)
    assert (answered.status_code, answered.json()["code"]) == (413, "unpacks-too-far")
    assert "members" in answered.json()["detail"]
    assert time.perf_counter() - begun < 2  # all of them took 5.3 s
    some = gzip.compress(json.dumps(COLLECTOR).encode(), mtime=0) + member * (MOST_MEMBERS - 1)
    assert http.call("POST", "/v1/records", content=some, headers=packed).status_code == 200
    assert http.call("POST", "/v1/records", content=some + member, headers=packed).status_code == 413


@pytest.mark.parametrize(
    ("sent", "named"),
    [
        ("application/x-www-form-urlencoded", "curl -d"),
        ("text/csv; charset=utf-8", "came as text/csv"),
        ("hush/hush", "a type that is not taken here"),
    ],
)
def test_a_type_that_is_not_taken_is_named_and_so_is_what_to_send(http: Http, sent: str, named: str) -> None:
    refused = http.call("POST", "/v1/records", content=b"{}", headers={"Content-Type": sent})
    assert refused.status_code == 415
    assert named in refused.json()["detail"]
    assert "Content-Type: application/json" in refused.json()["detail"]
    assert "hush" not in refused.text
