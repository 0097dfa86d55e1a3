"""What PostgreSQL takes otherwise than SQLite, over HTTP."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr

from tests.web.http import Http, caller, postgres_url, settings_for
from tests.web.ward import BED, DRAIN, reading

LEDGER = "/v1/drains/drn-7/ledger"


@pytest.fixture
def http(tmp_path: Path) -> Iterator[Http]:
    with caller(settings_for(tmp_path, database=SecretStr(postgres_url()))) as opened:
        yield opened


def test_it_takes_gives_and_keeps(http: Http) -> None:
    http.post(*BED, reading("r-1", 7, 300), reading("r-2", 8, 120))
    shown = http.get("/v1/drains/drn-7").json()["total"]
    assert (shown["bound"], shown["total_ml"]) == ("at-least", "300")
    assert http.get("/v1/trace/r-2").json()["received"][0]["record"] == "r-2"
    assert http.get("/health/ready").json()["checks"]["disk"] == "ok"
    assert http.get("/v1/drains", params={"limit": 1}).json()["next"] is None
    http.post(DRAIN | {"id": "drn-8"})
    assert http.get("/v1/drains", params={"limit": 1}).json()["next"]
    assert len(http.get(f"{LEDGER}?changes_since=2020-01-01T00:00:00Z&limit=2").json()["changes"]) == 2


@pytest.mark.parametrize(
    "path",
    [
        "/v1/drains/a%00b",
        "/v1/drains/a%00b/ledger",
        "/v1/drains/a%00b/windows",
        "/v1/trace/a%00b",
        "/v1/trace/Observation/a%00b",
        "/v1/held/a%00b",
        "/v1/held?drain=a%00b",
    ],
)
def test_a_name_that_can_not_be_kept_is_refused(http: Http, path: str) -> None:
    """PostgreSQL has no U+0000 in text (its manual, 8.3 'Character Types')."""
    refused = http.get(path)
    assert (refused.status_code, refused.json()["code"]) == (400, "bad-parameter")


@pytest.mark.parametrize(
    "record",
    [
        b'{"record":"reading","id":"a\\u0000b","drain":"d\\u0000x"}',
        b"\x00",
        b'{"record":"reading","id":"\\ud800","drain":"\\ud800"}',
        json.dumps(DRAIN | {"id": "z\0z"}).encode(),
    ],
)
def test_a_record_that_can_not_be_kept_as_text_is_held_as_bytes(http: Http, record: bytes) -> None:
    answered = http.post(record)
    assert answered.status_code == 422
    (held,) = http.get("/v1/held").json()["held"]
    assert held["raw"].encode() == record
