"""Views: forms, validators, pages, the ledger as it was known, traces, and held records mended."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from drainledger.web.pages import Cursors
from drainledger.web.problems import Refusal
from tests.acceptance.converted import converted
from tests.web.http import Answered, Http
from tests.web.ward import BED, COLLECTOR, DRAIN, PATIENT, reading

LEDGER = "/v1/drains/drn-7/ledger"


@pytest.fixture
def ward(http: Http) -> Http:
    http.post(*BED, reading("r-1", 7, 300), reading("r-2", 8, 120), reading("r-3", 9, 150, unit="cc"))
    return http


def test_the_ledger_is_that_of_convert(ward: Http) -> None:
    lines = [json.dumps(one).encode() for one in (*BED, reading("r-1", 7, 300), reading("r-2", 8, 120))]
    lines.append(json.dumps(reading("r-3", 9, 150, unit="cc")).encode())
    assert ward.get(LEDGER).json() == json.loads(converted(lines, emit="ledger"))
    assert ward.get(LEDGER, headers={"Accept": "text/csv"}).content == converted(lines, emit="ledger-csv")


def test_parquet_holds_what_csv_does(ward: Http) -> None:
    answered = ward.get(LEDGER, headers={"Accept": "application/vnd.apache.parquet"})
    table = pq.read_table(io.BytesIO(answered.content))
    assert b"Not a medical device" in table.schema.metadata[b"caution"]
    rows = list(csv.DictReader(io.StringIO(ward.get(LEDGER, headers={"Accept": "text/csv"}).text)))
    assert table.column_names == list(rows[0])
    assert len(rows) == table.num_rows == 3
    for name in ("output_ml", "total_ml", "rate_ml_h", "rate_ml_kg_h"):
        assert table[name].to_pylist() == [Decimal(row[name]) if row[name] else None for row in rows]
    assert table["end"].to_pylist() == [datetime.fromisoformat(row["end"]).astimezone(UTC) for row in rows]
    assert [" ".join(one) for one in table["findings"].to_pylist()] == [row["findings"] for row in rows]


@pytest.mark.parametrize(
    "accept", ["application/json", "text/csv", "application/vnd.apache.parquet", "text/*;q=0.5, */*;q=0.1"]
)
def test_who_has_it_already_gets_no_body(ward: Http, accept: str) -> None:
    first = ward.get(LEDGER, headers={"Accept": accept})
    again = ward.get(LEDGER, headers={"Accept": accept, "If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    ward.post(reading("r-4", 10, 160))
    changed = ward.get(LEDGER, headers={"Accept": accept, "If-None-Match": first.headers["etag"]})
    assert changed.status_code == 200
    assert changed.headers["etag"] != first.headers["etag"]


def test_each_form_has_its_own_validator(ward: Http) -> None:
    tags = {
        ward.get(LEDGER, headers={"Accept": accept}).headers["etag"]
        for accept in ("application/json", "text/csv", "application/vnd.apache.parquet")
    }
    assert len(tags) == 3
    assert ward.get(LEDGER, headers={"Accept": "image/png"}).status_code == 406


def test_the_ledger_as_it_was_known_and_what_changed(ward: Http) -> None:
    as_it_was = ward.get(LEDGER).json()["drains"][0]["intervals"]
    before = ward.get("/v1/trace/bedside/r-3").json()["received"][0]["received_at"]
    ward.post(reading("r-0", 8, 118))
    assert ward.get(LEDGER).json()["drains"][0]["intervals"] != as_it_was
    known = ward.get(LEDGER, params={"known_at": before}).json()["drains"][0]["intervals"]
    assert known == as_it_was
    ward.post({"record": "retraction", "id": "x-1", "retracts": "r-2", "made_at": "2026-03-02T10:00:00Z"})
    changes = ward.get(LEDGER, params={"changes_since": before}).json()["changes"]
    assert [(one["kind"], one["record"]) for one in changes] == [("reading", "r-0"), ("retraction", "x-1")]
    gone = [entry for entry in changes[1]["entries"] if entry["record"] == "r-2"]
    assert [(entry["before"] is None, entry["after"]) for entry in gone] == [(False, None)]
    assert ward.get(LEDGER, params={"known_at": "2000-01-01T00:00:00Z"}).status_code == 404


@pytest.mark.parametrize(
    "query",
    [
        "known_at=2026-03-02",
        "known_at=2026-03-02T07:00:00",
        "known_at=yesterday",
        "known_at=0001-01-01T00:00:00Z",
        "known_at=1700000000",
        "known_at=2026-W10-1T07:00:00Z",
        "known_at=20260302T070000Z",
        "known_at=2026-03-02T07:00:00,5Z",
        "known_at=2026-03-02T07:00:00%2B01:00:30",
        "known_at=2026-03-02T07:00:00%2B0100",
        "known_at=2026-03-02T07:00Z",
        "known_at=2026-03-02%2007:00:00Z",
        "known_at=2026-02-30T07:00:00Z",
        "known_at=%D9%A2026-03-02T07:00:00Z",
        "changes_since=2026-061T07:00:00Z",
        "changes_since=nonsense",
        "known_at=2026-03-02T07:00:00Z&changes_since=2026-03-02T07:00:00Z",
    ],
)
def test_a_time_that_can_not_be_used_is_refused(ward: Http, query: str) -> None:
    refused = ward.get(f"{LEDGER}?{query}")
    assert (refused.status_code, refused.json()["code"]) == (400, "bad-parameter")
    assert refused.json()["parameter"] == query.partition("&")[2].partition("=")[0] or query.partition("=")[0]


def test_a_plus_that_was_not_escaped_is_understood(ward: Http) -> None:
    assert ward.get(f"{LEDGER}?known_at=2100-01-01T00:00:00+01:00").status_code == 200


def test_windows(ward: Http) -> None:
    charted = ward.get("/v1/drains/drn-7/windows").json()
    assert {one["name"] for one in charted["windows"]} >= {"ward-day"}
    rolled = ward.get(
        "/v1/drains/drn-7/windows", params={"rolling": "1", "end": "2026-03-02T09:30:00Z"}
    ).json()
    assert rolled["rolling"] == {
        "hours": 1,
        "start": "2026-03-02T08:30:00+00:00",
        "end": "2026-03-02T09:30:00+00:00",
        "total_ml": "15",
        "net_ml": "15",
        "bound": "estimated",
        "coverage": "0.500",
    }
    latest = ward.get("/v1/drains/drn-7/windows?rolling=8").json()["rolling"]
    assert latest["end"] == "2026-03-02T09:00:00+00:00"
    assert ward.get("/v1/drains/drn-7/windows?rolling=5").status_code == 400
    assert ward.get("/v1/drains/drn-7/windows?end=2026-03-02T09:30:00Z").status_code == 400


def test_pages_follow_one_another(http: Http) -> None:
    ids = [f"drn-{number:02}" for number in range(7)] + ["a/b c", "ö"]
    http.post(*(DRAIN | {"id": id_} for id_ in ids))
    found: list[str] = []
    link: str | None = "/v1/drains?limit=4"
    while link:
        answered = http.get(link)
        found += [one["drain"] for one in answered.json()["drains"]]
        assert all(id_ not in answered.headers.get("link", "") for id_ in ids)
        link = answered.links["next"]["url"] if "link" in answered.headers else None
    assert found == sorted(ids)
    assert http.get("/v1/drains/a%2Fb%20c").json()["drain"] == "a/b c"
    assert http.get("/v1/drains/a/b c").status_code == 404
    assert http.get("/v1/drains/a%2Fb%20c/ledger").json()["drains"][0]["drain"] == "a/b c"


@pytest.mark.parametrize("cursor", ["", "x", "AAAA", "%00", "é", "A" * 999])
def test_a_cursor_that_was_made_up_is_refused(http: Http, cursor: str) -> None:
    assert http.get("/v1/drains", params={"cursor": cursor}).json()["code"] == "bad-cursor"


def test_a_cursor_holds_for_one_list_of_one_tenant() -> None:
    cursors = Cursors(b"secret")
    given = cursors.give("north", "drains", "drn-7")
    assert cursors.read("north", "drains", given) == "drn-7"
    for tenant, listed in (("south", "drains"), ("north", "held")):
        with pytest.raises(Refusal):
            cursors.read(tenant, listed, given)
    with pytest.raises(Refusal):
        Cursors(b"another").read("north", "drains", given)


def test_a_trace_goes_both_ways(ward: Http) -> None:
    by_record = ward.get("/v1/trace/bedside/r-3").json()
    assert by_record == ward.get("/v1/trace/r-3").json() | {"ref": "bedside/r-3"}
    output = next(
        one["reference"] for one in by_record["resources"] if one["reference"].endswith("interval-output")
    )
    by_resource = ward.get(f"/v1/trace/{output}").json()
    assert by_resource["received"][0]["record"] == "r-3"
    assert json.loads(by_resource["received"][0]["raw"]) == reading("r-3", 9, 150, unit="cc")
    assert {one["record"] for one in by_resource["received"]} >= {"r-3", "r-2"}
    assert by_resource["ledger"][0]["interval"]["output_ml"] == "30"
    assert ward.get("/v1/trace/nothing").status_code == 404
    assert ward.get("/v1/trace/Observation/0.x").status_code == 404


def test_a_held_record_is_mended_and_replayed(ward: Http) -> None:
    bad = reading("r-9", 10, 200) | {"at": "2026-03-02T10:00:00"}
    (held,) = ward.post(bad).json()["results"]
    place = f"/v1/held/{held['held_id']}"
    assert ward.get(f"/v1/trace/{held['held_id']}").json()["held"]["state"] == "held"
    assert ward.get("/v1/drains/drn-7").json()["held"] == 1
    assert ward.call("POST", f"{place}/replay").status_code == 422
    assert ward.call("POST", f"{place}/replay", json=bad | {"level": {"value": 1}}).status_code == 422
    assert [one["held_id"] for one in ward.get("/v1/held").json()["held"]] == [held["held_id"]]
    mended = ward.call("POST", f"{place}/replay", json=reading("r-9", 10, 200))
    assert (mended.status_code, mended.json()["accepted"]) == (200, 1)
    assert ward.get(place).json()["state"] == "replayed"
    assert json.loads(ward.get(place).json()["raw"]) == bad
    assert ward.get("/v1/drains/drn-7").json()["held"] == 0
    again = ward.call("POST", f"{place}/replay", json=reading("r-10", 11, 210))
    assert (again.status_code, again.json()["code"]) == (409, "already-settled")
    assert ward.get("/v1/trace/bedside/r-10").status_code == 404


def test_a_held_record_is_discarded_with_its_reason(ward: Http) -> None:
    (held,) = ward.post(b"\xff no text").json()["results"]
    place = f"/v1/held/{held['held_id']}"
    assert ward.get(place).json()["raw_base64"]
    for body in (b"", b"{}", b'{"reason":" "}', b"[" * 100_000):
        assert ward.call("POST", f"{place}/discard", content=body).json()["code"] == "bad-body"
    done = ward.call("POST", f"{place}/discard", json={"reason": "line noise"})
    assert (done.status_code, done.json()["state"]) == (200, "discarded")
    assert ward.call("POST", f"{place}/discard", json={"reason": "twice"}).status_code == 409
    shown = ward.get(place).json()
    assert shown["reason"] == done.json()["reason"] == "line noise"
    assert shown["closed_by"].startswith("key:")
    assert ward.get("/v1/held").json()["held"] == []
    assert len(ward.get("/v1/held?state=discarded").json()["held"]) == 1
    assert ward.call("POST", "/v1/held/none/discard", json={"reason": "x"}).status_code == 404


def test_every_access_leaves_a_row(ward: Http, tmp_path: Path) -> None:
    store = ward.app.state.service.store

    def rows() -> list[tuple[str, str, str, tuple[str, ...]]]:
        with store.read("north") as read:
            return [(one.action, one.route, one.outcome, one.drains) for one in read.audits(0, 1000)]

    assert rows()[-1] == ("write", "/v1/records", "committed", ("drn-7",))
    ward.get("/v1/drains")
    assert rows()[-1] == ("search", "/v1/drains", "200", ("drn-7",))
    ward.get(LEDGER)
    assert rows()[-1] == ("read", "/v1/drains/{drain}/ledger", "200", ("drn-7",))
    ward.get("/v1/drains/nobody")
    assert rows()[-1] == ("read", "/v1/drains/{drain}", "404", ("nobody",))
    ward.get("/v1/trace/r-1")
    assert rows()[-1] == ("trace", "/v1/trace/{ref:path}", "200", ("drn-7",))
    count = len(rows())
    ward.get("/v1/held")
    ward.get("/v1/held/none")
    ward.get("/v1/drains/drn-7/windows?rolling=7")
    assert len(rows()) >= count + 2
    with store.read("north") as read:
        last = read.audits(0, 1000)[-1]
    assert last.principal.startswith("key:")
    assert len(last.request_id) == 16
    assert PATIENT not in repr(rows())


def test_every_row_names_the_patients_by_their_ids(ward: Http) -> None:
    """Every call that shows or changes what is about the drain, whichever way it came to it."""
    store = ward.app.state.service.store
    patient = ward.app.state.service.views.patients
    with store.read("north") as read:
        known = patient(read, ["drn-7", "nobody"])
    assert set(known) == {"drn-7"}
    (held,) = ward.post(reading("r-bad", 10, 1, unit="pints")).json()["results"]
    calls: tuple[Callable[[], Answered], ...] = (
        lambda: ward.get("/v1/drains"),
        lambda: ward.get("/v1/drains/drn-7"),
        lambda: ward.get(LEDGER),
        lambda: ward.get("/v1/drains/drn-7/windows"),
        lambda: ward.get("/v1/trace/drain/drn-7"),
        lambda: ward.get("/v1/trace/r-1"),
        lambda: ward.get("/v1/held"),
        lambda: ward.get(f"/v1/held/{held['held_id']}"),
        lambda: ward.get(f"/v1/trace/{held['held_id']}"),
        lambda: ward.call("POST", f"/v1/held/{held['held_id']}/replay"),
        lambda: ward.call("POST", f"/v1/held/{held['held_id']}/discard", json={"reason": "a slip"}),
        lambda: ward.post(COLLECTOR),
        lambda: ward.post(
            {"record": "retraction", "id": "x-9", "retracts": "r-1", "made_at": "2026-03-02T12:00:00Z"}
        ),
    )
    for number, call in enumerate(calls):
        assert call().status_code in (200, 422), number
        with store.read("north") as read:
            last = read.audits(0, 1000)[-1]
        assert (last.patients, last.drains) == ((known["drn-7"],), ("drn-7",)), last
    ward.get("/v1/drains/nobody")
    with store.read("north") as read:
        assert (read.audits(0, 1000)[-1].patients, read.audits(0, 1000)[-1].drains) == ((), ("nobody",))
        assert PATIENT not in repr(read.audits(0, 1000))
