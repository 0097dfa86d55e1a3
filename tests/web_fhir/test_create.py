"""`POST /fhir/Rx/Observation` through the application: the same ledger as the canonical records give."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.reading.posted import amount, level, observation, quantity
from tests.web.http import Http, key_for
from tests.web.ward import BED, DRAIN, reading
from tests.web_fhir.posted import bed, issues, ledger, ledger_in, post, said
from tests.web_fhir.validity import problems


def test_a_level_is_taken_and_served_again(empty: Http, conformance_dir: Path) -> None:
    """R4 http.html#create: 201, Location with the version, ETag, Last-Modified."""
    bed(empty)
    answered = post(empty, level(40))
    assert answered.status_code == 201
    body = json.loads(answered.content)
    assert body["code"]["coding"][0]["code"] == "chamber-level"
    assert body["valueQuantity"]["value"] == 40
    location = answered.headers["location"]
    assert location == f"http://127.0.0.1:8080/fhir/R4/Observation/{body['id']}/_history/1"
    assert answered.headers["etag"] == 'W/"1"'
    assert answered.headers["last-modified"].endswith("GMT")
    assert empty.get(location).content == answered.content
    assert problems([answered.content], "R4", conformance_dir) == []


@pytest.mark.parametrize("version", ["R4", "R5"])
def test_the_same_ledger_as_from_canonical_records(empty: Http, version: str) -> None:
    bed(empty)
    for number, (at, value) in enumerate([("07:00", 40), ("08:00", 90), ("09:00", 90)]):
        answered = post(empty, level(value, at, f"a-{number}"), f"/fhir/{version}/Observation")
        assert answered.status_code == 201
    other = key_for(empty.app, tenant="south")
    empty.post(*BED, *(reading(f"r-{n}", 7 + n, value) for n, value in enumerate((40, 90, 90))), key=other)
    mine = ledger(empty)["intervals"]
    theirs = ledger_in(empty.get("/v1/drains/drn-7/ledger", key=other))["intervals"]
    assert [(one["start"], one["end"], one["output_ml"], one["bound"]) for one in mine] == [
        (one["start"], one["end"], one["output_ml"], one["bound"]) for one in theirs
    ]
    assert [one["output_ml"] for one in mine] == ["40", "50", "0"]


def test_the_raw_of_the_journal_is_what_was_sent(empty: Http) -> None:
    bed(empty)
    raw = json.dumps(level(40.0), indent=1).encode()
    post(empty, raw)
    traced = json.loads(empty.get("/v1/trace/bedside/https%3A%2F%2Fchart.example%2Freadings%7Ca-1").content)
    assert [one["raw"].encode() for one in traced["received"] if one["kind"] == "reading"] == [raw]


def test_the_same_again_is_the_same_record(empty: Http) -> None:
    bed(empty)
    first = post(empty, level(40))
    again = post(empty, level(40))
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.headers["location"] == first.headers["location"]
    assert again.content == first.content
    assert len(ledger(empty)["intervals"]) == 1


def test_the_same_id_with_another_value_is_a_conflict(empty: Http) -> None:
    bed(empty)
    post(empty, level(40))
    other = post(empty, level(50))
    assert other.status_code == 409
    assert ("conflict", "Observation.identifier[0].value") in said(other)
    assert ledger(empty)["intervals"][0]["output_ml"] == "40"


def test_without_an_identifier_it_gets_a_new_id_and_is_told_so(empty: Http) -> None:
    bed(empty)
    answered = post(empty, level(40, ident=None), Prefer="return=OperationOutcome")
    assert answered.status_code == 201
    assert said(answered, "information") == [("informational", "Observation.identifier")]
    again = post(empty, level(40, ident=None))
    assert again.status_code == 201
    assert again.headers["drainledger-notes"] != "0"
    assert again.headers["location"] != answered.headers["location"]


def test_prefer_minimal_has_no_body(empty: Http) -> None:
    bed(empty)
    answered = post(empty, level(40), Prefer="return=minimal")
    assert (answered.status_code, answered.content) == (201, b"")
    assert "location" in answered.headers


def test_if_none_exist_finds_what_was_sent_before(empty: Http) -> None:
    bed(empty)
    asked = {"If-None-Exist": "identifier=https://chart.example/readings%7Ca-1"}
    first = post(empty, level(40), **asked)
    # R4 http.html#ccreate: with one match the body is passed over.
    again = post(empty, level(50), **asked)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.headers["location"] == first.headers["location"]
    refused = post(empty, level(60), **{"If-None-Exist": "code=x"})
    assert refused.status_code == 412
    assert said(refused) == [("not-supported", "http.If-None-Exist")]


def test_what_is_wrong_alone_is_held_with_the_sentences_of_v1(empty: Http) -> None:
    bed(empty)
    answered = post(empty, level(40, valueQuantity=quantity(40, "parsec")))
    assert answered.status_code == 422
    assert said(answered) == [("code-invalid", "Observation.value.code")]
    record = {**reading("r-1", 7, 40), "level": {"value": 40, "unit": "parsec"}}
    theirs = json.loads(empty.post(record).content)["results"][0]["problems"][0]["text"]
    assert issues(answered)[0]["diagnostics"] == theirs
    held = json.loads(empty.get("/v1/held").content)["held"]
    assert json.loads(held[0]["raw"])["resourceType"] == "Observation"


def test_a_held_resource_is_replayed_as_what_it_is(empty: Http) -> None:
    """Its bytes are no canonical record: replayed, they are read by the mapping again."""
    bed(empty)
    post(empty, level(40))
    assert post(empty, level(50)).status_code == 409
    held = json.loads(empty.get("/v1/held").content)["held"][0]["held_id"]
    again = empty.call("POST", f"/v1/held/{held}/replay")
    assert again.status_code == 422
    assert json.loads(again.content)["results"][0]["problems"][0]["code"] == "conflict"
    mended = empty.call(
        "POST",
        f"/v1/held/{held}/replay",
        content=json.dumps(level(50, "08:00", "a-2")).encode(),
        headers={"Content-Type": "application/json"},
    )
    assert mended.status_code == 200, mended.content
    assert json.loads(mended.content)["accepted"] == 1
    assert [one["output_ml"] for one in ledger(empty)["intervals"]] == ["40", "10"]


def test_before_its_drain_it_is_refused(empty: Http) -> None:
    """Nobody could tell whether it is this patient's, and nobody would look when the drain comes."""
    answered = post(empty, level(40))
    assert answered.status_code == 422
    assert said(answered) == [("not-found", "Observation.subject")]
    assert b"/v1/records" in answered.content
    assert json.loads(empty.get("/v1/held").content)["held"] == []
    bed(empty)
    assert post(empty, level(40)).status_code == 201
    assert [one["output_ml"] for one in ledger(empty)["intervals"]] == ["40"]


def test_another_patient_is_refused(empty: Http) -> None:
    bed(empty)
    for subject in (
        {"identifier": {"system": "https://ward.example/mrn", "value": "P-9"}},
        {"reference": "Patient/0d1f3a52-7c1e-5b0e-9f55-2f7f0a4d9c11"},
        {"reference": "https://elsewhere.example/Patient/1"},
        {"type": "Group", "identifier": {"system": "https://ward.example/mrn", "value": "P-1042"}},
        {"display": "the patient in bed 4"},
    ):
        answered = post(empty, level(40, subject=subject))
        assert answered.status_code == 422, subject
        assert said(answered) == [("business-rule", "Observation.subject")]
        assert b"P-1042" not in answered.content
        assert b"P-9" not in answered.content
    missing = post(empty, level(40, subject=None))
    assert said(missing) == [("required", "Observation.subject")]
    assert ledger(empty)["intervals"] == []
    assert json.loads(empty.get("/v1/held").content)["held"] == []


def test_served_ids_are_understood(empty: Http) -> None:
    """The Patient and the Device of the drain as the service itself gives them."""
    bed(empty)
    first = json.loads(post(empty, level(40)).content)
    again = level(
        60, "08:00", "a-2", subject={"reference": first["subject"]["reference"]}, focus=first["focus"]
    )
    assert post(empty, again).status_code == 201
    by_channel = level(70, "09:00", "a-3", focus=None, device=first["device"])
    assert post(empty, by_channel).status_code == 201
    absolute = {"reference": f"http://127.0.0.1:8080/fhir/R5/{first['subject']['reference']}"}
    assert post(empty, level(80, "10:00", "a-4", subject=absolute)).status_code == 201
    assert [one["output_ml"] for one in ledger(empty)["intervals"]] == ["40", "20", "10", "10"]


def test_amounts_by_loinc_add_up(empty: Http) -> None:
    empty.post(DRAIN | {"reads": "volume"})
    for number, (value, start, end) in enumerate([(35, "06:00", "07:00"), (15.5, "07:00", "08:00")]):
        assert post(empty, amount(value, start, end, f"v-{number}")).status_code == 201
    totals = ledger(empty)["totals"]
    assert totals[-1]["total_ml"] == "50.5"


@pytest.mark.parametrize("type", ["Patient", "Device", "DetectedIssue", "Provenance"])
def test_other_types_are_not_written(empty: Http, type: str) -> None:
    answered = post(empty, {"resourceType": type}, f"/fhir/R4/{type}")
    assert answered.status_code == 405
    assert "/v1/records" in issues(answered)[0]["diagnostics"]


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_nothing_is_changed_or_deleted(empty: Http, method: str) -> None:
    for path in ("/fhir/R4/Observation/x", "/fhir/R4/Observation"):
        answered = empty.call(method, path, content=b"{}")
        assert answered.status_code == 405
        assert "/v1/records" in issues(answered)[0]["diagnostics"]


def test_a_body_that_is_no_resource(empty: Http) -> None:
    for body in (b"", b"[]", b"{", b'{"a":1}', b'{"resourceType":1}', b'{"resourceType":"Patient"}', b"\xff"):
        answered = post(empty, body)
        assert answered.status_code == 400, body
        assert said(answered)
    as_text = empty.call("POST", "/fhir/R4/Observation", content=b"x", headers={"Content-Type": "text/csv"})
    assert as_text.status_code == 415


def test_writing_needs_its_scope(empty: Http) -> None:
    reader = key_for(empty.app, "read")
    refused = empty.call("POST", "/fhir/R4/Observation", content=b"{}", key=reader)
    assert refused.status_code == 403
    assert issues(refused)[0]["code"] == "forbidden"
    unbound = key_for(empty.app, "records.write", source=None)
    nobody = empty.call("POST", "/fhir/R4/Observation", content=b"{}", key=unbound)
    assert nobody.status_code == 400
    assert issues(nobody)[0]["code"] == "required"


def test_a_computed_code_is_refused(empty: Http) -> None:
    bed(empty)
    for code in ("running-total", "output-rate", "charted-total", "charted-net", "interval-output"):
        answered = post(empty, observation(code, valueQuantity=quantity(40)))
        assert answered.status_code == 422
        assert said(answered) == [("business-rule", "Observation.code")], code
