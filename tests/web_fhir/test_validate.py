"""`$validate` (R4 resource-operation-validate.html) through the application."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.reading.posted import level, observation, quantity
from tests.web.http import Answered, Http, key_for
from tests.web_fhir.posted import bed, issues, ledger, post, said
from tests.web_fhir.validity import problems

HERE = "/fhir/R4/Observation/$validate"


def errors(answered: Answered) -> list[tuple[str, str]]:
    assert answered.status_code == 200, answered.content
    return said(answered)


@pytest.mark.parametrize("version", ["R4", "R5"])
def test_what_could_be_taken_is_valid_and_not_stored(
    empty: Http, conformance_dir: Path, version: Any
) -> None:
    bed(empty)
    for path in ("Observation/$validate", "Observation/any-id/$validate"):
        answered = post(empty, level(40), f"/fhir/{version}/{path}")
        assert errors(answered) == []
        assert issues(answered)[-1]["diagnostics"].startswith("All that was checked is well.")
        assert problems([answered.content], version, conformance_dir) == []
    assert ledger(empty)["intervals"] == []


def test_inside_parameters(empty: Http) -> None:
    bed(empty)
    body: dict[str, Any] = {
        "resourceType": "Parameters",
        "parameter": [{"name": "resource", "resource": level(40)}, {"name": "mode", "valueCode": "create"}],
    }
    assert errors(post(empty, body, HERE)) == []
    body["parameter"] = [{"name": "resource", "resource": level("40")}]
    assert ("structure", "Observation.value.value") in errors(post(empty, body, HERE))
    wrongs: list[Any] = [[], [{"name": "mode", "valueCode": "create"}], [{"name": 1}], {}]
    for wrong in wrongs:
        body["parameter"] = wrong
        assert post(empty, body, HERE).status_code == 400


@pytest.mark.parametrize(
    ("sent", "fault"),
    [
        (observation("running-total", valueQuantity=quantity(1)), ("business-rule", "Observation.code")),
        (level(40, subject={"identifier": {"value": "P-9"}}), ("business-rule", "Observation.subject")),
        (level(40, effectiveDateTime="2126-03-02T07:00:00Z"), ("business-rule", "Observation.effective")),
        (level(40, valueQuantity=quantity(40, "kg")), ("code-invalid", "Observation.value.code")),
        (level(40, status=None), ("required", "Observation.status")),
        (level(40, nonsense=1), ("structure", "Observation.nonsense")),
    ],
)
def test_what_could_not_be_taken(empty: Http, sent: dict[str, Any], fault: tuple[str, str]) -> None:
    bed(empty)
    assert fault in errors(post(empty, sent, HERE))


def test_what_is_there_already_in_other_words(empty: Http) -> None:
    bed(empty)
    post(empty, level(40))
    assert errors(post(empty, level(40), HERE)) == []
    assert errors(post(empty, level(50), HERE)) == [("conflict", "Observation.identifier[0].value")]


def test_changes_are_not_supported_and_profiles_not_checked(empty: Http) -> None:
    bed(empty)
    assert errors(post(empty, level(40), f"{HERE}?mode=update")) == [("not-supported", "")]
    profiled = post(empty, level(40), f"{HERE}?profile=https://x.example/y")
    assert said(profiled, "warning") == [("not-supported", "")]
    assert post(empty, level(40), f"{HERE}?mode=x").status_code == 400


def test_other_types_are_checked_as_far_as_they_are_built(empty: Http) -> None:
    path = "/fhir/R4/Patient/$validate"
    assert errors(post(empty, {"resourceType": "Patient", "active": True}, path)) == []
    assert errors(post(empty, {"resourceType": "Patient", "birthDate": "x"}, path)) == [
        ("value", "Patient.birthDate")
    ]
    assert post(empty, level(40), path).status_code == 400
    nothing = post(empty, {"resourceType": "Nothing"}, "/fhir/R4/Nothing/$validate")
    assert nothing.status_code == 404


def test_no_answer_shows_what_was_sent(empty: Http) -> None:
    sent = {"resourceType": "Patient", "birthDate": "P-1042-secret", "gender": ["P-1042-secret"]}
    answered = post(empty, sent, "/fhir/R4/Patient/$validate")
    assert errors(answered)
    assert b"secret" not in answered.content


def test_who_may_not_write_is_not_told_whose_drain_it_is(empty: Http) -> None:
    bed(empty)
    reader = key_for(empty.app, "read")
    body = json.dumps(level(40, subject={"identifier": {"value": "P-9"}})).encode()
    answered = empty.call(
        "POST", HERE, content=body, headers={"Content-Type": "application/fhir+json"}, key=reader
    )
    assert errors(answered) == []
    assert ("forbidden", "") in said(answered, "warning")
