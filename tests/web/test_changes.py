"""`changes_since`: a page at a time, for retracted drains too; and what a reader is told who asks too much."""

from __future__ import annotations

from typing import Any

import pytest

from drainledger.intake.folds import TooManyReads
from tests.web.http import Http
from tests.web.ward import BED, reading

LEDGER = "/v1/drains/drn-7/ledger"
EVER = "2020-01-01T00:00:00Z"
RETRACTION = {"record": "retraction", "id": "x-1", "retracts": "drn-7", "made_at": "2026-03-02T10:00:00Z"}


@pytest.fixture
def ward(http: Http) -> Http:
    assert http.post(*BED, reading("r-1", 7, 40), reading("r-2", 8, 90)).status_code == 200
    return http


def causes(answer: Any) -> list[str]:
    return [one["record"] for one in answer["changes"]]


def test_changes_follow_one_another_by_the_link(ward: Http) -> None:
    whole = ward.get(LEDGER, params={"changes_since": EVER}).json()
    assert whole["next"] is None
    assert causes(whole) == ["drn-7", "ev-1", "r-1", "r-2"]
    found: list[Any] = []
    link: str | None = f"{LEDGER}?changes_since={EVER}&limit=1"
    while link:
        answered = ward.get(link)
        assert answered.status_code == 200, answered.text
        page = answered.json()
        assert len(page["changes"]) == 1
        found += page["changes"]
        header = answered.headers.get("link")
        assert (header is None) == (page["next"] is None)
        link = header.partition(">")[0].removeprefix("<") if header else None
    assert found == whole["changes"]


def test_a_cursor_is_of_one_drain_and_one_instant(ward: Http) -> None:
    ward.post(BED[0] | {"id": "drn-8"})
    cursor = ward.get(LEDGER, params={"changes_since": EVER, "limit": "1"}).json()["next"]
    for path, since in (("/v1/drains/drn-8/ledger", EVER), (LEDGER, "2020-01-02T00:00:00Z")):
        refused = ward.get(path, params={"changes_since": since, "cursor": cursor})
        assert (refused.status_code, refused.json()["code"]) == (400, "bad-cursor")


@pytest.mark.parametrize("parameter", ["limit=10", "cursor=abc"])
def test_a_ledger_has_no_pages(ward: Http, parameter: str) -> None:
    refused = ward.get(f"{LEDGER}?{parameter}")
    assert (refused.status_code, refused.json()["code"]) == (400, "bad-parameter")
    assert refused.json()["parameter"] == parameter.partition("=")[0]


@pytest.mark.parametrize("limit", ["0", "501", "x"])
def test_a_page_has_bounds(ward: Http, limit: str) -> None:
    assert ward.get(LEDGER, params={"changes_since": EVER, "limit": limit}).status_code == 400


def test_a_retracted_drain_says_what_went_and_why(ward: Http) -> None:
    before = ward.get("/v1/trace/bedside/r-2").json()["received"][0]["received_at"]
    assert ward.post(RETRACTION).status_code == 200
    answered = ward.get(LEDGER, params={"changes_since": before})
    assert answered.status_code == 200, answered.text
    (change,) = answered.json()["changes"]
    assert (change["kind"], change["record"]) == ("retraction", "x-1")
    assert {one["record"] for one in change["entries"]} >= {"r-1", "r-2"}
    assert all(one["before"] is not None and one["after"] is None for one in change["entries"])
    assert ward.get(LEDGER).status_code == 404
    assert ward.get("/v1/drains/drn-9/ledger", params={"changes_since": before}).status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        LEDGER,
        f"{LEDGER}?changes_since={EVER}",
        f"{LEDGER}?known_at=2100-01-01T00:00:00Z",
        "/v1/drains",
        "/v1/trace/bedside/r-1",
    ],
)
def test_who_reads_too_much_at_once_is_told_to_come_again(
    ward: Http, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise TooManyReads

    views = ward.app.state.service.views
    views._shelf._books.clear()
    monkeypatch.setattr(views._folds, "let_in", full)
    refused = ward.get(path)
    assert (refused.status_code, refused.json()["code"]) == (429, "too-many-requests")
    assert int(refused.headers["retry-after"]) >= 1
