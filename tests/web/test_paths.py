"""Paths and methods: a name is one segment, as it was encoded; HEAD, OPTIONS, and parameters that are there twice."""

from __future__ import annotations

import json
from urllib.parse import quote

import pytest

from drainledger.web.parameters import SINGLE
from tests.web.http import Http
from tests.web.ward import BED, DRAIN, reading

ODD = [
    "a/ledger",
    "a/windows",
    "a",
    "a%2Fledger",
    "100%",
    "a b",
    "ö/ü",
    "a?b#c",
    "a;b=c",
    "…",
    "%2e%2e",
    "a/../b",
]


@pytest.fixture
def odd(http: Http) -> Http:
    assert http.post(*(DRAIN | {"id": id_} for id_ in ODD)).json()["held"] == 0
    return http


@pytest.mark.parametrize("id_", ODD)
def test_every_id_is_found_under_its_own_path(odd: Http, id_: str) -> None:
    place = f"/v1/drains/{quote(id_, safe='')}"
    assert odd.get(place).json()["drain"] == id_
    assert odd.get(f"{place}/ledger").json()["drains"][0]["drain"] == id_
    assert odd.get(f"{place}/windows").json()["drain"] == id_


@pytest.mark.parametrize("id_", ["r/1", "r", "100%", "a%2Fb", "ledger/2"])
def test_every_record_is_traced_under_its_own_name(http: Http, id_: str) -> None:
    http.post(*BED, *(reading(one, 7, 40) for one in ("r/1", "r", "100%", "a%2Fb", "ledger/2")))
    for place in (f"bedside/{quote(id_, safe='')}", quote(id_, safe="")):
        (received, *_) = http.get(f"/v1/trace/{place}").json()["received"]
        assert received["record"] == id_


def test_a_path_that_is_no_text_is_refused(http: Http) -> None:
    assert http.get("/v1/drains/%00").json()["code"] == "bad-parameter"


@pytest.mark.parametrize("id_", [".", "..", "..."])
def test_an_id_that_no_path_can_hold_is_held(http: Http, id_: str) -> None:
    (result,) = http.post(DRAIN | {"id": id_}).json()["results"]
    assert [one["code"] for one in result["problems"]] == ["only-dots"]


GETS = [
    "/",
    "/docs",
    "/openapi.json",
    "/health/live",
    "/health/ready",
    "/metrics",
    "/v1/drains",
    "/v1/drains/drn-7",
    "/v1/drains/nobody",
    "/v1/drains/drn-7/ledger",
    "/v1/drains/drn-7/windows",
    "/v1/trace/r-1",
    "/v1/held",
]


@pytest.mark.parametrize("path", GETS)
def test_head_is_get_without_its_body(http: Http, path: str) -> None:
    http.post(*BED, reading("r-1", 7, 40))
    got, head = http.get(path), http.call("HEAD", path)
    assert (head.status_code, head.content) == (got.status_code, b"")
    told = {name for name in got.headers if name != "drainledger-request"}
    if path == "/metrics":  # it counts the call before
        told.discard("content-length")
    assert {name: head.headers.get(name) for name in told} == {name: got.headers[name] for name in told}


def test_a_head_is_an_access_and_is_noted_as_such(http: Http) -> None:
    http.post(*BED)
    http.call("HEAD", "/v1/drains/drn-7")
    with http.app.state.service.store.read("north") as read:
        last = read.audits(0, 1000)[-1]
    assert (last.method, last.route, last.drains) == ("HEAD", "/v1/drains/{drain}", ("drn-7",))
    assert http.call("HEAD", "/v1/drains/drn-7", key=None).status_code == 401


@pytest.mark.parametrize("path", [*GETS, "/v1/records", "/v1/held/x/replay", "/v1/held/x/discard"])
def test_options_tells_what_can_be_called(http: Http, path: str) -> None:
    told = http.call("OPTIONS", path, key=None)
    assert (told.status_code, told.content) == (204, b"")
    allowed = "GET, HEAD, OPTIONS" if path in GETS else "OPTIONS, POST"
    assert told.headers["allow"] == allowed
    refused = http.call("DELETE", path)
    assert (refused.status_code, refused.headers["allow"]) == (405, allowed)
    assert http.call("HEAD", path).status_code == (405 if path not in GETS else http.get(path).status_code)


def test_options_of_what_is_not_there(http: Http) -> None:
    assert http.call("OPTIONS", "/nowhere").status_code == 404


def test_a_parameter_that_is_there_twice_is_refused(http: Http) -> None:
    """Every one that the document knows, wherever it is known."""
    http.post(*BED, reading("r-1", 7, 40))
    seen = set()
    for path, operations in http.get("/openapi.json").json()["paths"].items():
        for name in (
            p["name"] for p in operations.get("get", {}).get("parameters", []) if p["in"] == "query"
        ):
            place = path.replace("{drain}", "drn-7")
            refused = http.get(f"{place}?{name}=1&{name}=1")
            assert (refused.status_code, refused.json()["parameter"]) == (400, name)
            assert "once" in refused.json()["detail"]
            seen.add(name)
    assert seen == SINGLE


def test_lengths_of_two_kinds_are_refused(http: Http) -> None:
    for path in ("/v1/records", "/nowhere", "/health/live"):
        both = {"Content-Length": "2", "Transfer-Encoding": "chunked", "Content-Type": "application/json"}
        refused = http.call("POST", path, content=json.dumps({}), headers=both)
        assert (refused.status_code, refused.json()["code"]) == (400, "bad-framing")
        assert refused.headers["connection"] == "close"
