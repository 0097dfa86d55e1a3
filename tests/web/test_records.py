"""The worked cases of DESIGN 4 over HTTP, and every form in which records may be sent."""

from __future__ import annotations

import gzip
import json
from typing import Any

import pytest

from tests.web.http import Http
from tests.web.ward import BED, COLLECTOR, DRAIN, reading, replaced


def outputs(http: Http, **query: str) -> list[str | None]:
    answered = http.get("/v1/drains/drn-7/ledger", params=query)
    assert answered.status_code == 200, answered.text
    return [one["output_ml"] for one in answered.json()["drains"][0]["intervals"]]


def total(http: Http) -> tuple[str, str]:
    shown = http.get("/v1/drains/drn-7").json()["total"]
    return shown["bound"], shown["total_ml"]


def versions(http: Http, ref: str, part: str) -> list[tuple[int, str]]:
    """(version, status) of one part of the resources of a record."""
    traced = http.get(f"/v1/trace/{ref}").json()
    return [
        (one["version"], one["status"])
        for one in traced["resources"]
        if one["reference"].endswith(f".{part}")
    ]


def test_a_reading_gives_interval_and_total(http: Http) -> None:
    assert http.post(*BED).json()["accepted"] == 3
    answered = http.post(reading("r-1", 7, 40))
    assert answered.status_code == 200
    (result,) = answered.json()["results"]
    assert result["status"] == "accepted"
    assert {one["reference"].partition(".")[2] for one in result["resources"]} >= {
        "chamber-level",
        "interval-output",
        "running-total",
    }
    assert outputs(http) == ["40"]
    assert total(http) == ("exact", "40")


def test_cases_3_and_4_a_fall_and_the_change_that_explains_it(http: Http) -> None:
    http.post(*BED, reading("r-1", 7, 300))
    (fallen,) = http.post(reading("r-2", 8, 120)).json()["results"]
    assert [finding["code"] for finding in fallen["findings"]] == ["unexplained-fall"]
    http.post(reading("r-3", 9, 150))
    assert outputs(http) == ["300", None, "30"]
    assert total(http) == ("at-least", "330")
    late = http.post(
        {"record": "collector", "id": "col-4", "profile": "adult-single"}, replaced("ev-2", "07:30", 340)
    )
    assert late.status_code == 200
    assert outputs(http) == ["300", "40", "120", "30"]
    assert total(http) == ("exact", "490")
    assert versions(http, "r-2", "interval-output") == [(1, "final"), (2, "amended")]


def test_cases_8_9_and_10_late_corrected_retracted(http: Http) -> None:
    http.post(*BED, reading("r-1", 7, 40))
    http.post(reading("r-2", 9, 120))
    http.post(reading("r-3", 8, 90))
    assert outputs(http) == ["40", "50", "30"]
    assert versions(http, "r-2", "interval-output") == [(1, "final"), (2, "amended")]
    assert versions(http, "r-2", "running-total") == [(1, "final")]
    correction = {
        "record": "correction",
        "id": "c-1",
        "corrects": "r-3",
        "made_at": "2026-03-02T09:10:00+00:00",
        "reading": {k: v for k, v in reading("r-3", 8, 70).items() if k != "record"},
    }
    assert http.post(correction).status_code == 200
    assert outputs(http) == ["40", "30", "50"]
    assert versions(http, "r-3", "chamber-level")[-1] == (2, "corrected")
    assert versions(http, "r-2", "running-total") == [(1, "final")]
    retraction = {
        "record": "retraction",
        "id": "x-1",
        "retracts": "r-3",
        "made_at": "2026-03-02T09:12:00+00:00",
    }
    assert http.post(retraction).status_code == 200
    assert outputs(http) == ["40", "80"]
    assert versions(http, "r-3", "interval-output")[-1][1] == "entered-in-error"


def test_the_same_again_is_a_duplicate_and_another_content_a_conflict(http: Http) -> None:
    http.post(*BED, reading("r-1", 7, 40))
    again = http.post(
        reading("r-1", 7, "40.0".rstrip("0").rstrip(".")) | {"level": {"value": 40.0, "unit": "mL"}}
    )
    assert (again.status_code, again.json()["duplicates"]) == (200, 1)
    other = http.post(reading("r-1", 7, 41))
    assert other.status_code == 422
    assert [problem["code"] for problem in other.json()["results"][0]["problems"]] == ["conflict"]


def test_what_refers_to_the_unknown_waits_until_it_comes(http: Http) -> None:
    waiting = http.post(reading("r-1", 7, 40))
    assert (waiting.status_code, waiting.json()["waiting"]) == (200, 1)
    assert http.get("/v1/drains/drn-7").status_code == 404
    http.post(*BED)
    assert outputs(http) == ["40"]


@pytest.mark.parametrize(
    ("body", "content_type", "count"),
    [
        (json.dumps(DRAIN).encode(), "application/json", 1),
        (json.dumps(DRAIN, indent=2).encode(), "application/json; charset=utf-8", 1),
        (json.dumps([DRAIN, COLLECTOR]).encode(), "application/json", 2),
        (json.dumps([DRAIN, COLLECTOR], indent=1).encode(), "application/x-ndjson", 2),
        (b"\n".join(json.dumps(one).encode() for one in BED), "application/x-ndjson", 3),
        (b"\r\n\r\n".join(json.dumps(one).encode() for one in BED), "application/json", 3),
        (b"\xef\xbb\xbf" + json.dumps(DRAIN).encode(), "application/json", 1),
    ],
    ids=["object", "pretty object", "array", "array called lines", "lines", "lines called json", "mark"],
)
@pytest.mark.parametrize("packed", [False, True])
def test_every_form_is_taken(http: Http, body: bytes, content_type: str, count: int, packed: bool) -> None:
    headers = {"Content-Type": content_type}
    if packed:
        headers["Content-Encoding"] = "gzip"
        half = len(body) // 2
        body = gzip.compress(body[:half]) + gzip.compress(body[half:])  # two members are one stream
    answered = http.call("POST", "/v1/records", content=body, headers=headers)
    assert (answered.status_code, answered.json()["accepted"]) == (200, count)


def test_without_a_type_the_content_decides(http: Http) -> None:
    answered = http.call("POST", "/v1/records", content=json.dumps(list(BED)).encode())
    assert answered.json()["accepted"] == 3


def test_bytes_are_kept_as_they_were_sent(http: Http) -> None:
    sent = b'{ "record":"collector",\t"id": "col-3", "profile" : "adult-single" }'
    http.call("POST", "/v1/records", content=b"[" + sent + b" ]")
    assert http.get("/v1/trace/collector/col-3").json()["received"][0]["raw"].encode() == sent


def test_one_bad_record_costs_the_others_nothing(http: Http) -> None:
    without_zone: Any = reading("r-9", 9, 60) | {"at": "2026-03-02T09:00:00"}
    answered = http.post(*BED, b'{"record":', without_zone)
    assert answered.status_code == 207
    told = answered.json()
    assert (told["accepted"], told["held"]) == (3, 2)
    assert [one["problems"][0]["code"] for one in told["results"][3:]] == ["bad-json", "time-without-zone"]
    assert http.get("/v1/drains/drn-7").json()["held"] == 1


def test_a_token_without_a_source_has_to_name_one(http: Http) -> None:
    from tests.web.http import key_for

    free = key_for(http.app, "records.write", "read", source=None)
    refused = http.post(*BED, key=free)
    assert (refused.status_code, refused.json()["code"]) == (400, "no-source")
    named = http.post(*BED, key=free, headers={"Drainledger-Source": "pump-4"})
    assert named.status_code == 200
    assert http.get("/v1/trace/pump-4/ev-1").json()["received"][0]["source"] == "pump-4"
    other = http.post(*BED, headers={"Drainledger-Source": "pump-4"})
    assert (other.status_code, other.json()["code"]) == (403, "not-your-source")
