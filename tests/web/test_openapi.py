"""The OpenAPI document keeps its word: its examples run, every answer is documented, and the caution is everywhere."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from drainledger.web.caution import CAUTION
from drainledger.web.problems import CATALOGUE
from tests.web.http import Http


@pytest.fixture
def document(http: Http) -> dict[str, Any]:
    found: dict[str, Any] = http.get("/openapi.json").json()
    return found


def operations(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (method.upper(), path, operation)
        for path, found in document["paths"].items()
        for method, operation in found.items()
    ]


def test_every_example_runs(http: Http, document: dict[str, Any]) -> None:
    ran = 0
    for method, path, operation in operations(document):
        if "requestBody" not in operation or "{" in path:
            continue
        for media_type, content in operation["requestBody"]["content"].items():
            for name, example in content["examples"].items():
                value = example["value"]
                body = value if isinstance(value, str) else json.dumps(value)
                answered = http.call(method, path, content=body, headers={"Content-Type": media_type})
                assert answered.status_code == _expected(name), (name, answered.text)
                _check(document, operation, answered)
                ran += 1
    (held,) = http.get("/v1/held").json()["held"]
    mended = _example(document, "/v1/held/{held_id}/replay")
    answered = http.call("POST", f"/v1/held/{held['held_id']}/replay", json=mended)
    assert answered.status_code == 200
    http.post(b"{}")
    (held,) = http.get("/v1/held").json()["held"]
    answered = http.call(
        "POST", f"/v1/held/{held['held_id']}/discard", json=_example(document, "/v1/held/{held_id}/discard")
    )
    assert answered.status_code == 200
    assert ran + 2 >= 10


def _expected(name: str) -> int:
    if not name.startswith("one that is held"):
        return 200
    return 207 if "beside" in name else 422


def _example(document: dict[str, Any], path: str) -> Any:
    content = document["paths"][path]["post"]["requestBody"]["content"]["application/json"]
    return next(iter(content["examples"].values()))["value"]


def _check(document: dict[str, Any], operation: dict[str, Any], answered: Any) -> None:
    """The answer is of a documented status and shape (JSON Schema by the library jsonschema)."""
    response = operation["responses"][str(answered.status_code)]
    media_type = answered.headers["content-type"].partition(";")[0]
    schema = response["content"][media_type]["schema"] | {"components": document["components"]}
    jsonschema.Draft202012Validator(schema).validate(answered.json())


def test_views_have_the_documented_shape(http: Http, document: dict[str, Any]) -> None:
    for example in document["paths"]["/v1/records"]["post"]["requestBody"]["content"]["application/json"][
        "examples"
    ].values():
        http.call("POST", "/v1/records", json=example["value"])
    places = {
        "/v1/drains": "/v1/drains",
        "/v1/drains/{drain}": "/v1/drains/drn-7",
        "/v1/drains/{drain}/ledger": "/v1/drains/drn-7/ledger",
        "/v1/drains/{drain}/windows": "/v1/drains/drn-7/windows?rolling=4",
        "/v1/trace/{ref}": "/v1/trace/bedside/r-1",
        "/v1/held": "/v1/held",
        "/health/live": "/health/live",
        "/health/ready": "/health/ready",
    }
    for path, place in places.items():
        answered = http.get(place)
        assert answered.status_code == 200, (place, answered.text)
        _check(document, document["paths"][path]["get"], answered)
    changes = http.get("/v1/drains/drn-7/ledger?changes_since=2000-01-01T00:00:00Z")
    assert len(changes.json()["changes"]) > 2
    _check(document, document["paths"]["/v1/drains/{drain}/ledger"]["get"], changes)


def test_the_caution_and_every_problem_are_told(http: Http, document: dict[str, Any]) -> None:
    assert CAUTION in document["info"]["description"]
    for code in CATALOGUE:
        assert f"`{code}`" in document["info"]["description"]
    for _, path, operation in operations(document):
        assert "422" not in operation["responses"] or path in ("/v1/records", "/v1/held/{held_id}/replay")
        for response in operation["responses"].values():
            assert "Drainledger-Caution" in response["headers"]
    for path in ("/", "/docs", "/v1/drains", "/nowhere", "/health/live", "/openapi.json"):
        assert http.get(path).headers["drainledger-caution"] == CAUTION
    assert CAUTION in http.get("/").text


@pytest.mark.parametrize(
    ("method", "path", "code"),
    [
        ("GET", "/nowhere", "not-found"),
        ("DELETE", "/v1/drains", "method-not-allowed"),
        ("GET", "/v1/drains?limit=0", "bad-parameter"),
        ("GET", "/v1/drains/nobody", "not-found"),
        ("PROPFIND", "/v1/records", "method-not-allowed"),
    ],
)
def test_a_problem_has_one_shape(http: Http, method: str, path: str, code: str) -> None:
    answered = http.call(method, path)
    assert answered.headers["content-type"] == "application/problem+json"
    told = answered.json()
    assert told["type"] == f"https://drainledger.example/fhir/problems/{code}"
    assert (told["code"], told["status"]) == (code, answered.status_code)
    assert told["request"] == answered.headers["drainledger-request"]
    assert told["title"] == CATALOGUE[code].title
