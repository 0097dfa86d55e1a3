"""Content negotiation and errors: JSON of the version in the path, and an OperationOutcome for all that is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drainledger.store.errors import StoreBusy
from drainledger.web.caution import CAUTION
from drainledger.web.fhir.outcome import _TYPES
from drainledger.web.problems import CATALOGUE
from tests.web.http import Http, caller, key_for, settings_for
from tests.web_fhir.journals import emitted
from tests.web_fhir.validity import problems


@pytest.fixture(scope="module")
def path(ward: Http) -> str:
    return next(f"{each.type}/{each.id}" for each in emitted(ward) if each.type == "Device")


@pytest.mark.parametrize(
    ("query", "accept", "status"),
    [
        ("", None, 200),
        ("", "*/*", 200),
        ("", "application/fhir+json", 200),
        ("", "application/json", 200),
        ("", "application/*", 200),
        ("", "application/fhir+json; fhirVersion=4.0", 200),
        ("", 'application/fhir+json; fhirVersion="4.0"', 200),
        ("", "application/fhir+json; fhirVersion=4.0.1", 200),
        ("", "application/fhir+json; charset=utf-8; q=0.5", 200),
        ("", "text/html, application/xhtml+xml, application/xml;q=0.9, */*;q=0.8", 200),
        ("", "application/fhir+json; fhirVersion=5.0, application/fhir+json; fhirVersion=4.0", 200),
        ("", "application/fhir+json; fhirVersion=5.0", 406),
        ("", "application/fhir+json; fhirVersion=3.0", 406),
        ("", "application/fhir+xml", 406),
        ("", "text/html", 406),
        ("", "application/fhir+json;q=0", 406),
        ("", "application/fhir+json;q=0, application/xml", 406),
        ("_format=json", "application/xml", 200),  # _format goes before
        ("_format=application/json", None, 200),
        ("_format=application/fhir%2Bjson", None, 200),
        ("_format=application/fhir+json", None, 200),  # a plus that was not escaped
        ("_format=application/fhir%2Bjson;fhirVersion=4.0", None, 200),
        ("_format=application/fhir%2Bjson;fhirVersion=5.0", None, 406),
        ("_format=xml", None, 406),
        ("_format=application/fhir%2Bxml", "application/json", 406),
        ("_format=ttl", None, 406),
        ("_format=html", None, 406),
        ("_format=json&_format=json", None, 400),
    ],
)
def test_what_an_answer_is_written_in(
    ward: Http, path: str, query: str, accept: str | None, status: int
) -> None:
    headers = {} if accept is None else {"Accept": accept}
    got = ward.get(f"/fhir/R4/{path}?{query}", headers=headers)
    assert got.status_code == status, got.text
    assert got.headers["content-type"] == "application/fhir+json; charset=utf-8; fhirVersion=4.0"
    assert got.headers["drainledger-caution"] == CAUTION
    assert got.json()["resourceType"] == ("Device" if status == 200 else "OperationOutcome")


def test_each_path_has_its_version(ward: Http, path: str) -> None:
    got = ward.get(f"/fhir/R5/{path}", headers={"Accept": "application/fhir+json; fhirVersion=5.0"})
    assert got.headers["content-type"].endswith("fhirVersion=5.0")
    assert "name" not in got.json() or "deviceName" not in got.json()
    refused = ward.get(f"/fhir/R5/{path}", headers={"Accept": "application/fhir+json; fhirVersion=4.0"})
    assert refused.status_code == 406
    assert refused.headers["content-type"].endswith("fhirVersion=5.0")


def test_pretty_changes_white_space_alone(ward: Http) -> None:
    level = next(each for each in emitted(ward) if each.code_is("chamber-level"))
    plain = ward.get(f"/fhir/R4/Observation/{level.id}").content
    pretty = ward.get(f"/fhir/R4/Observation/{level.id}?_pretty=true").content
    assert pretty.count(b"\n") > 20
    assert b"".join(line.strip() for line in pretty.splitlines()).replace(b'": ', b'":') == plain
    assert json.loads(pretty) == json.loads(plain)


def test_an_unknown_parameter_is_refused_where_that_is_asked_for(ward: Http, path: str) -> None:
    url = f"/fhir/R4/{path}?colour=P-1042"
    assert ward.get(url).status_code == 200
    assert ward.get(url, headers={"Prefer": "handling=lenient"}).status_code == 200
    got = ward.get(url, headers={"Prefer": "return=minimal; handling=strict"})
    assert got.status_code == 400
    assert got.json()["issue"][0]["expression"] == ["http.colour"]
    assert "P-1042" not in got.text
    hidden = ward.get(f"/fhir/R4/{path}?P-1042=x", headers={"Prefer": "handling=strict"})
    assert "P-1042" not in hidden.text


# What is refused


def test_every_code_of_the_catalogue_has_its_issue_type() -> None:
    assert set(_TYPES) == set(CATALOGUE)


def outcome_of(http: Http, path: str, status: int, code: str, folder: Path, **named: object) -> None:
    method = str(named.pop("method", "GET"))
    got = http.call(method, path, **named)  # type: ignore[arg-type]  # passed on as they are
    assert (got.status_code, got.headers["content-type"].partition(";")[0]) == (
        status,
        "application/fhir+json",
    )
    (issue,) = got.json()["issue"]
    assert (issue["severity"], issue["code"]) == ("error", code)
    assert issue["diagnostics"]
    assert issue["details"]["text"].partition(":")[0] in CATALOGUE
    assert got.headers["drainledger-caution"] == CAUTION
    assert problems([got.content], "R4", folder) == []


def test_callers_who_may_not(ward: Http, path: str, conformance_dir: Path) -> None:
    url = f"/fhir/R4/{path}"
    outcome_of(ward, url, 401, "login", conformance_dir, key=None)
    outcome_of(ward, url, 401, "login", conformance_dir, key="made up")
    writer = key_for(ward.app, "records.write")
    outcome_of(ward, url, 403, "forbidden", conformance_dir, key=writer)
    assert ward.get(url, key=None).headers["www-authenticate"].startswith("Bearer")


def test_what_is_not_there(ward: Http, path: str, conformance_dir: Path) -> None:
    outcome_of(ward, "/fhir/R4/Nothing/1/2/3", 404, "not-found", conformance_dir)
    outcome_of(ward, "/fhir", 404, "not-found", conformance_dir)
    outcome_of(ward, f"/fhir/R4/{path}/_history", 405, "not-supported", conformance_dir, method="DELETE")
    assert ward.call("OPTIONS", f"/fhir/R4/{path}/_history").status_code == 204
    assert ward.get("/nowhere").headers["content-type"] == "application/problem+json"


def test_too_many_requests(tmp_path: Path, conformance_dir: Path) -> None:
    with caller(settings_for(tmp_path, rate_burst=2, rate_per_second=0.001)) as http:
        for _ in range(2):
            http.get("/fhir/R4/Patient/x")
        outcome_of(http, "/fhir/R4/Patient/x", 429, "throttled", conformance_dir)
        assert int(http.get("/fhir/R4/Patient/x").headers["retry-after"]) > 0


def test_faults(empty: Http, conformance_dir: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    repository = empty.app.state.service.rest.repository

    def broken(*given: object) -> None:
        raise RuntimeError("P-1042 broke it")

    def busy(*given: object) -> None:
        raise StoreBusy("P-1042 waits")

    monkeypatch.setattr(repository, "read", broken)
    outcome_of(empty, "/fhir/R4/Patient/x", 500, "exception", conformance_dir)
    monkeypatch.setattr(repository, "read", busy)
    outcome_of(empty, "/fhir/R4/Patient/x", 503, "transient", conformance_dir)
    empty.app.state.service.gate.close()
    outcome_of(empty, "/fhir/R4/Patient/x", 503, "transient", conformance_dir)


def test_links_lead_to_where_callers_reach_the_service(tmp_path: Path) -> None:
    """Behind a proxy that says another host: what `public_url` says holds."""
    public = "https://drains.example"
    with caller(settings_for(tmp_path, public_url=public)) as http:
        for path in ("Patient", "Device?_count=1", "Device/_history", "Observation?patient=x&_count=0"):
            bundle = http.get(f"/fhir/R4/{path}").json()
            assert bundle["link"]
            assert all(each["url"].startswith(f"{public}/fhir/R4/") for each in bundle["link"])
            assert all(entry["fullUrl"].startswith(f"{public}/fhir/R4/") for entry in bundle.get("entry", []))
        ordered = http.get("/fhir/R4/$export", headers={"Prefer": "respond-async"})
        assert ordered.headers["content-location"].startswith(f"{public}/fhir/R4/bulk/")
