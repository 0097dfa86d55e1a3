"""`POST /fhir/Rx`: batches and transactions (R4 http.html#transaction, bundle.html), through the application."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from drainledger.web.fhir import bundle as fhir_bundle
from tests.reading.posted import DRAIN, MRN, concept, level, observation, quantity
from tests.web.http import Answered, Http, key_for
from tests.web_fhir.posted import bed, bundle, entry, issues, ledger, post, said
from tests.web_fhir.validity import problems

PANEL = "urn:uuid:6f1c9a3e-3d5f-4b8e-9a57-0c6a5b1f0001"
LEVEL = "urn:uuid:6f1c9a3e-3d5f-4b8e-9a57-0c6a5b1f0002"
LEAK = "urn:uuid:6f1c9a3e-3d5f-4b8e-9a57-0c6a5b1f0003"


def send(http: Http, body: dict[str, Any], version: str = "R4") -> Answered:
    return post(http, body, f"/fhir/{version}")


def responses(answered: Answered) -> list[dict[str, Any]]:
    body = json.loads(answered.content)
    assert body["resourceType"] == "Bundle", body
    return [one["response"] for one in body.get("entry", [])]


def statuses(answered: Answered) -> list[str]:
    return [one["status"][:3] for one in responses(answered)]


def outputs(http: Http) -> list[str]:
    return [one["output_ml"] for one in ledger(http)["intervals"]]


def panel(at: str = "07:00", ident: str = "p-1") -> list[dict[str, Any]]:
    """A panel with a level and a leak's pattern, which refer to each other within the Bundle."""
    members = [{"reference": LEVEL}, {"reference": LEAK}]
    return [
        entry(observation("drain-panel", at, ident, hasMember=members), PANEL),
        entry(level(40, at, None), LEVEL),
        entry(
            observation("bubbling-pattern", at, None, valueCodeableConcept=concept("bubbling-intermittent")),
            LEAK,
        ),
    ]


@pytest.mark.parametrize("version", ["R4", "R5"])
def test_a_transaction_is_one_commit(empty: Http, conformance_dir: Path, version: Any) -> None:
    bed(empty)
    levels = [entry(level(40 * n, f"{6 + n:02}:00", f"a-{n}")) for n in (1, 2, 3)]
    answered = send(empty, bundle("transaction", *levels), version)
    assert answered.status_code == 200, answered.content
    assert json.loads(answered.content)["type"] == "transaction-response"
    assert statuses(answered) == ["201", "201", "201"]
    for one in responses(answered):
        assert f"/fhir/{version}/Observation/" in one["location"]
        assert one["etag"] == 'W/"1"'
        assert empty.get(one["location"]).status_code == 200
    assert outputs(empty) == ["40", "40", "40"]
    assert problems([answered.content], version, conformance_dir) == []
    written = {one["lastModified"] for one in responses(answered)}
    assert len(written) == 1, "one commit has one time"


def test_a_panel_and_its_members_are_one_reading(empty: Http, conformance_dir: Path) -> None:
    bed(empty)
    answered = send(empty, bundle("transaction", *panel()))
    assert statuses(answered) == ["201", "201", "201"]
    parts = [one["location"].split("/")[-3] for one in responses(answered)]
    assert [part.split(".", 1)[1] for part in parts] == ["drain-panel", "chamber-level", "bubbling-pattern"]
    assert len({part.split(".")[0] for part in parts}) == 1
    assert problems([answered.content], "R4", conformance_dir) == []
    again = send(empty, bundle("transaction", *panel()))
    assert statuses(again) == ["200", "200", "200"]
    assert outputs(empty) == ["40"]


def test_what_came_of_a_panel_is_kept_as_it_came(empty: Http) -> None:
    bed(empty)
    send(empty, bundle("transaction", *panel()))
    traced = json.loads(empty.get("/v1/trace/bedside/https%3A%2F%2Fchart.example%2Freadings%7Cp-1").content)
    (raw,) = [json.loads(one["raw"]) for one in traced["received"] if one["kind"] == "reading"]
    assert [one["resource"] for one in raw["entry"]] == [one["resource"] for one in panel()]


def test_all_or_nothing_where_one_is_not_understood(empty: Http) -> None:
    bed(empty)
    bad = entry(observation("running-total", "08:00", "a-2", valueQuantity=quantity(1)))
    answered = send(empty, bundle("transaction", entry(level(40)), bad))
    assert answered.status_code == 422
    assert said(answered) == [("business-rule", "Bundle.entry[1].resource.code")]
    assert outputs(empty) == []


def test_all_or_nothing_where_the_intake_would_hold_one(empty: Http) -> None:
    bed(empty)
    late = entry(level(50, ident="a-2", effectiveDateTime="2126-03-02T07:00:00+00:00"))
    answered = send(empty, bundle("transaction", entry(level(40)), late))
    assert answered.status_code == 422
    assert said(answered) == [("business-rule", "Bundle.entry[1].resource.effective")]
    assert outputs(empty) == []
    assert json.loads(empty.get("/v1/held").content)["held"] == []
    audited = json.loads(empty.get("/v1/drains").content)
    assert audited["drains"], "the service goes on after a refused transaction"
    assert send(empty, bundle("transaction", entry(level(40)))).status_code == 200


def test_all_or_nothing_where_one_is_in_conflict(empty: Http) -> None:
    bed(empty)
    post(empty, level(40))
    answered = send(empty, bundle("transaction", entry(level(70, "08:00", "a-2")), entry(level(50))))
    assert answered.status_code == 409
    assert said(answered) == [("conflict", "Bundle.entry[1].resource.identifier[0].value")]
    assert outputs(empty) == ["40"]


def test_one_identity_stands_once(empty: Http) -> None:
    bed(empty)
    for second in (level(40), level(50, "08:00")):
        answered = send(empty, bundle("transaction", entry(level(40)), entry(second)))
        assert answered.status_code == 422
        assert said(answered) == [("duplicate", "Bundle.entry[1].resource.identifier[0].value")]
    twice = bundle("transaction", entry(level(40), LEVEL), entry(level(50, "08:00", "a-2"), LEVEL))
    assert said(send(empty, twice)) == [("duplicate", "Bundle.entry[1].fullUrl")]
    assert outputs(empty) == []


def test_a_batch_takes_each_by_itself_in_its_order(empty: Http, conformance_dir: Path) -> None:
    bed(empty)
    bad = observation("running-total", "08:00", "a-2", valueQuantity=quantity(1))
    sent = bundle(
        "batch",
        entry(bad),
        entry(level(40)),
        {"request": {"method": "DELETE", "url": "Observation/x"}},
        entry({"resourceType": "Patient"}, url="Patient"),
        {"request": {"method": "GET", "url": "Observation/nothing"}},
        entry(level(90, "08:00", "a-3")),
        {"resource": {}},
    )
    answered = send(empty, sent)
    assert statuses(answered) == ["422", "201", "405", "405", "404", "201", "400"]
    assert json.loads(answered.content)["type"] == "batch-response"
    assert outputs(empty) == ["40", "50"]
    for place, one in enumerate(responses(answered)):
        if one["status"][0] == "4":
            (first, *_) = one["outcome"]["issue"]
            assert first["severity"] == "error"
            assert first.get("expression", ["Bundle.entry"])[0].startswith(("Bundle.entry", "http")), place
    assert problems([answered.content], "R4", conformance_dir) == []


def test_entries_that_read_go_through_the_routes(empty: Http) -> None:
    bed(empty)
    location = post(empty, level(40)).headers["location"]
    ident = location.split("/")[-3]
    answered = send(
        empty,
        bundle(
            "batch",
            {"request": {"method": "GET", "url": f"Observation/{ident}"}},
            {"request": {"method": "GET", "url": f"Observation/{ident}", "ifNoneMatch": 'W/"1"'}},
            {"request": {"method": "GET", "url": f"Observation/{ident}/_history/1"}},
            {"request": {"method": "GET", "url": "https://elsewhere.example/fhir/Patient/1"}},
            {"request": {"method": "GET", "url": "/v1/drains"}},
            {"request": {"method": "GET", "url": "../../v1/drains"}},
            {"request": {"method": "GET", "url": "nothing/at/all/here"}},
        ),
    )
    assert statuses(answered) == ["200", "304", "200", "400", "400", "404", "404"]
    served = json.loads(empty.get(f"/fhir/R4/Observation/{ident}").content)
    assert json.loads(answered.content)["entry"][0]["resource"] == served


def test_entries_that_read_ask_for_the_scope_to_read(empty: Http) -> None:
    bed(empty)
    ident = post(empty, level(40)).headers["location"].split("/")[-3]
    sent = bundle(
        "batch",
        {"request": {"method": "GET", "url": f"Observation/{ident}"}},
        entry(level(50, "08:00", "a-2")),
    )
    body = json.dumps(sent).encode()
    headers = {"Content-Type": "application/fhir+json"}
    writer = key_for(empty.app, "records.write")
    assert statuses(empty.call("POST", "/fhir/R4", content=body, headers=headers, key=writer)) == [
        "403",
        "201",
    ]
    reader = key_for(empty.app, "read")
    assert statuses(empty.call("POST", "/fhir/R4", content=body, headers=headers, key=reader)) == [
        "200",
        "403",
    ]
    assert empty.call("POST", "/fhir/R4", content=body, headers=headers, key=None).status_code == 401


def test_what_the_entries_of_a_bundle_read_is_bounded(empty: Http, monkeypatch: pytest.MonkeyPatch) -> None:
    bed(empty)
    monkeypatch.setattr(fhir_bundle, "MOST_READ", 5_000)
    asked = {"request": {"method": "GET", "url": "Device"}}
    size = len(empty.get("/fhir/R4/Device").content)
    fit = -(-5_000 // size)
    answered = send(empty, bundle("batch", *[asked] * (fit + 2), entry(level(40))))
    assert statuses(answered) == ["200"] * fit + ["413"] * 2 + ["201"]
    assert responses(answered)[fit]["outcome"]["issue"][0]["code"] == "too-costly"


def test_a_transaction_reads_what_it_wrote(empty: Http) -> None:
    bed(empty)
    first = send(empty, bundle("transaction", entry(level(40))))
    ident = responses(first)[0]["location"].split("/")[-3]
    read = {"request": {"method": "GET", "url": f"Observation/{ident}"}}
    answered = send(empty, bundle("transaction", read, entry(level(90, "08:00", "a-2"))))
    assert statuses(answered) == ["200", "201"]
    assert json.loads(answered.content)["entry"][0]["resource"]["valueQuantity"]["value"] == 40


def test_conditional_creates(empty: Http) -> None:
    bed(empty)
    asked = "identifier=https://chart.example/readings|a-1"
    sent = bundle("transaction", entry(level(40), ifNoneExist=asked), entry(level(90, "08:00", "a-2")))
    assert statuses(send(empty, sent)) == ["201", "201"]
    assert statuses(send(empty, sent)) == ["200", "200"]
    assert outputs(empty) == ["40", "50"]


def test_what_is_no_bundle_for_here(empty: Http) -> None:
    for body in (
        b"",
        b"[]",
        b"{}",
        b'{"resourceType":"Patient"}',
        b'{"resourceType":"Bundle"}',
        b'{"resourceType":"Bundle","type":"document"}',
        b'{"resourceType":"Bundle","type":1}',
        b'{"resourceType":"Bundle","type":"batch","entry":{}}',
        b'{"resourceType":"Bundle","type":"batch","entry":[1]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{}]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"GET"}}]}',
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"POST","url":"Observation"}}]}',
    ):
        answered = post(empty, body, "/fhir/R4")
        assert answered.status_code == 400, body
        assert issues(answered)
    nothing = post(empty, b'{"resourceType":"Bundle","type":"batch"}', "/fhir/R4")
    assert json.loads(nothing.content) == {"resourceType": "Bundle", "type": "batch-response"}


def test_a_bundle_has_at_most_a_thousand_entries(empty: Http) -> None:
    many = bundle("batch", *({"request": {"method": "GET", "url": "x"}} for _ in range(1001)))
    answered = send(empty, many)
    assert answered.status_code == 413
    assert issues(answered)[0]["code"] == "too-costly"


def test_a_thousand_levels_are_one_commit(empty: Http) -> None:
    """More than the records that one commit takes of other submissions."""
    bed(empty)
    many = [
        entry(level(n, ident=f"a-{n}", effectiveDateTime=f"2026-03-02T{7 + n // 60:02}:{n % 60:02}:00+00:00"))
        for n in range(600)
    ]
    answered = send(empty, bundle("transaction", *many))
    assert set(statuses(answered)) == {"201"}
    assert len({one["lastModified"] for one in responses(answered)}) == 1
    assert sum(int(one) for one in outputs(empty)) == 599


def test_another_patient_stops_the_whole(empty: Http) -> None:
    bed(empty)
    other = level(50, "08:00", "a-2", subject={"identifier": {"system": MRN, "value": "P-9"}})
    answered = send(empty, bundle("transaction", entry(level(40)), entry(other)))
    assert said(answered) == [("business-rule", "Bundle.entry[1].resource.subject")]
    assert outputs(empty) == []
    assert DRAIN["identifier"]["value"] == "drain.drn-7"
