"""The conformance set over HTTP: read, searched, and asked. What operations answer is tested in tests/terminology."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from drainledger.fhir import Fhir, conformance_resources
from drainledger.fhir.terminology import TYPES
from tests.acceptance.processes import key_for as process_key
from tests.acceptance.processes import started
from tests.fhir import samples
from tests.harness.node import command
from tests.web.http import Answered, Http, caller, key_for, settings_for, store_of
from tests.web.issuer import Issuer
from tests.web_fhir.validity import problems

Json = dict[str, Any]
BASE = samples.BASE
SYSTEM = f"{BASE}/CodeSystem/chest-drain"
SITES = f"{BASE}/ValueSet/drain-site"
FHIRS: list[Fhir] = ["R4", "R5"]


def outcome(answer: Answered, status: int) -> Json:
    """The one issue of a refusal, which says what to do."""
    assert answer.status_code == status, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    (issue,) = answer.json()["issue"]
    assert issue["diagnostics"].endswith(".")
    found: Json = issue
    return found


@pytest.mark.parametrize("fhir", FHIRS)
def test_each_resource_of_the_set_is_read_and_found(ward: Http, fhir: Fhir, conformance_dir: Path) -> None:
    """What `drainledger conformance` writes, to the byte; found by its URL."""
    bodies = []
    for each in conformance_resources(samples.mappings().codes, BASE, fhir):
        read = ward.get(f"/fhir/{fhir}/{each.reference}")
        assert (read.status_code, read.content) == (200, each.body)
        assert read.headers["content-type"].startswith("application/fhir+json")
        found = ward.get(f"/fhir/{fhir}/{each.type}", params={"url": read.json()["url"]})
        assert [entry["resource"] for entry in found.json()["entry"]] == [read.json()]
        bodies += [read.content, found.content]
    assert problems(bodies, fhir, conformance_dir) == []


def test_who_has_it_already_is_told(ward: Http) -> None:
    first = ward.get("/fhir/R4/CodeSystem/chest-drain")
    tag = first.headers["etag"]
    again = ward.get("/fhir/R4/CodeSystem/chest-drain", headers={"If-None-Match": tag})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    other = ward.get("/fhir/R4/ConceptMap/chest-drain", headers={"If-None-Match": tag})
    assert other.status_code == 200


def test_a_part_of_it(ward: Http, conformance_dir: Path) -> None:
    part = ward.get("/fhir/R4/CodeSystem/chest-drain?_elements=url")
    assert "concept" not in part.json()
    assert part.json()["meta"]["tag"][0]["code"] == "SUBSETTED"
    summary = ward.get("/fhir/R4/ValueSet?_summary=true")
    count = ward.get("/fhir/R4/ValueSet?_summary=count")
    assert "entry" not in count.json()
    assert count.json()["total"] == summary.json()["total"] == len(summary.json()["entry"])
    assert problems([part.content, summary.content, count.content], "R4", conformance_dir) == []


def test_pages_are_followed_to_the_end(ward: Http) -> None:
    url: str | None = "/fhir/R4/ValueSet?_count=5&name:contains=drain"
    found: list[str] = []
    while url is not None:
        page = ward.get(url).json()
        found += [entry["resource"]["id"] for entry in page.get("entry", ())]
        links = {link["relation"]: link["url"] for link in page["link"]}
        assert "name%3Acontains=drain" in links["self"]
        url = links.get("next")
    assert len(found) == len(set(found)) == page["total"]


def test_by_post_alike(ward: Http) -> None:
    posted = ward.call("POST", "/fhir/R4/ValueSet/_search", data={"code": "site-pleural", "_elements": "url"})
    got = ward.get("/fhir/R4/ValueSet?code=site-pleural&_elements=url")
    assert posted.json()["entry"] == got.json()["entry"] != []
    assert outcome(ward.call("POST", "/fhir/R4/ValueSet/_search", json={}), 415)["code"] == "not-supported"


def test_an_unknown_parameter_is_told_or_refused(ward: Http, conformance_dir: Path) -> None:
    got = ward.get("/fhir/R4/ConceptMap?colour=P-1042")
    (match, told) = got.json()["entry"]
    assert (match["search"]["mode"], told["search"]["mode"]) == ("match", "outcome")
    assert "P-1042" not in got.text
    assert problems([got.content], "R4", conformance_dir) == []
    strict = ward.get("/fhir/R4/ConceptMap?colour=P-1042", headers={"Prefer": "handling=strict"})
    assert outcome(strict, 400)["code"] == "not-supported"
    assert outcome(ward.get("/fhir/R4/ConceptMap?name:below=x"), 400)["expression"] == ["http.name"]
    assert outcome(ward.get("/fhir/R4/ConceptMap?_count=many"), 400)["expression"] == ["http._count"]


@pytest.mark.parametrize("type", TYPES)
def test_it_has_no_history_and_nobody_writes_it(ward: Http, type: str) -> None:
    for path in (f"{type}/_history", f"{type}/chest-drain/_history", f"{type}/chest-drain/_history/1"):
        assert outcome(ward.get(f"/fhir/R4/{path}"), 400)["code"] == "not-supported"
    for method, path in (
        ("POST", type),
        ("PUT", f"{type}/x"),
        ("PATCH", f"{type}/x"),
        ("DELETE", f"{type}/x"),
    ):
        answer = ward.call(method, f"/fhir/R5/{path}", json={"resourceType": type})
        assert outcome(answer, 405)["code"] == "not-supported"
        assert answer.headers["allow"] == "GET"
    assert outcome(ward.get(f"/fhir/R4/{type}/no-such-id"), 404)["code"] == "not-found"


def test_by_url_and_by_parameters_alike(ward: Http, conformance_dir: Path) -> None:
    calls: list[tuple[str, Json]] = [
        ("CodeSystem/$lookup", {"system": SYSTEM, "code": "patency"}),
        ("CodeSystem/$validate-code", {"url": SYSTEM, "code": "patency"}),
        ("CodeSystem/chest-drain/$validate-code", {"code": "no-such-code"}),
        ("ValueSet/$validate-code", {"url": SITES, "system": SYSTEM, "code": "site-pleural"}),
        ("ValueSet/drain-site/$validate-code", {"system": SYSTEM, "code": "patency"}),
        ("ConceptMap/$translate", {"system": SYSTEM, "code": "interval-output"}),
        ("ConceptMap/chest-drain/$translate", {"system": SYSTEM, "code": "patency"}),
    ]
    bodies = []
    for path, given in calls:
        got = ward.get(f"/fhir/R4/{path}", params=given)
        sent = {
            "resourceType": "Parameters",
            "parameter": [{"name": name, "valueString": text} for name, text in given.items()],
        }
        posted = ward.call("POST", f"/fhir/R4/{path}", json=sent)
        assert got.status_code == posted.status_code == 200, got.text
        assert got.content == posted.content
        bodies.append(got.content)
    assert problems(bodies, "R4", conformance_dir) == []


@pytest.mark.parametrize("fhir", FHIRS)
def test_an_expansion_is_of_the_time_of_the_service(ward: Http, fhir: Fhir, conformance_dir: Path) -> None:
    got = ward.get(f"/fhir/{fhir}/ValueSet/drain-site/$expand?_pretty=true")
    assert got.json()["expansion"]["timestamp"].endswith("+00:00")
    assert problems([got.content], fhir, conformance_dir) == []


def test_r4_looks_up_in_the_type_alone(ward: Http) -> None:
    refused = outcome(ward.get("/fhir/R4/CodeSystem/chest-drain/$lookup?code=patency"), 400)
    assert "CodeSystem/$lookup" in refused["diagnostics"]
    assert ward.get("/fhir/R5/CodeSystem/chest-drain/$lookup?code=patency").status_code == 200


def test_what_cant_be_answered(ward: Http, conformance_dir: Path) -> None:
    def post(body: object) -> Answered:
        return ward.call("POST", "/fhir/R4/CodeSystem/$lookup", json=body)

    def parameters(*entries: object) -> Answered:
        return post({"resourceType": "Parameters", "parameter": list(entries)})

    wrong: list[tuple[Answered, int, str, list[str]]] = [
        (ward.get(f"/fhir/R4/CodeSystem/$lookup?system={SYSTEM}&code=no"), 404, "not-found", ["http.code"]),
        (ward.get("/fhir/R4/ValueSet/no-such-set/$expand"), 404, "not-found", []),
        (ward.get("/fhir/R4/ValueSet/$expand?url=urn:x"), 404, "not-found", ["http.url"]),
        (ward.get("/fhir/R4/ValueSet/drain-site/$expand?date=2020"), 400, "not-supported", ["http.date"]),
        (ward.get("/fhir/R4/CodeSystem/$lookup?P-1042=x"), 400, "invalid", ["http.?"]),
        (ward.get("/fhir/R4/CodeSystem/$lookup?coding=x"), 400, "invalid", ["http.coding"]),
        (post([]), 400, "structure", ["Parameters"]),
        (post({"resourceType": "Bundle"}), 400, "structure", ["Parameters"]),
        (post({"resourceType": "Parameters", "parameter": {}}), 400, "structure", ["Parameters.parameter"]),
        (parameters("x"), 400, "structure", ["Parameters.parameter[0]"]),
        (parameters({"name": "code", "valueBoolean": True}), 400, "invalid", ["Parameters.parameter[0]"]),
        (parameters({"name": "code", "valueCode": 1}), 400, "value", ["Parameters.parameter[0].value"]),
        (
            parameters({"name": "coding", "valueCoding": "x"}),
            400,
            "structure",
            ["Parameters.parameter[0].value"],
        ),
        (parameters({"name": "x", "valueCode": "x"}), 400, "invalid", ["Parameters.parameter[0]"]),
        (
            ward.call(
                "POST",
                "/fhir/R4/CodeSystem/$lookup",
                content=b"{",
                headers={"Content-Type": "application/json"},
            ),
            400,
            "structure",
            ["Parameters"],
        ),
    ]
    for answer, status, code, where in wrong:
        issue = outcome(answer, status)
        assert (issue["code"], issue.get("expression", [])) == (code, where)
        assert "P-1042" not in answer.text
    assert problems([answer.content for answer, *_ in wrong], "R4", conformance_dir) == []


def test_it_needs_the_scope_read_and_leaves_a_row(ward: Http) -> None:
    writer = key_for(ward.app, "records.write")
    for path in ("CodeSystem/chest-drain", "ValueSet", "ConceptMap/$translate"):
        assert outcome(ward.get(f"/fhir/R4/{path}", key=writer), 403)["code"] == "forbidden"
        assert outcome(ward.get(f"/fhir/R4/{path}", key=None), 401)["code"] == "login"
    ward.get(f"/fhir/R5/ConceptMap/$translate?system={SYSTEM}&sourceCode=patency")
    with store_of(ward.app).read("north") as read:
        last = read.audits(0, 10_000)[-1]
    assert (last.action, last.route, last.outcome) == ("operation", "/fhir/R5/ConceptMap/$translate", "200")
    assert (last.patients, last.drains) == ((), ())


def test_a_token_reads_the_types_that_it_names(tmp_path: Path) -> None:
    issuer = Issuer(tmp_path)
    with caller(settings_for(tmp_path, **issuer.settings())) as http:
        token = issuer.token("system/ValueSet.rs")
        for path in ("ValueSet/drain-site", "ValueSet", "ValueSet/drain-site/$expand"):
            assert http.get(f"/fhir/R4/{path}", key=token).status_code == 200
        for path in ("CodeSystem/chest-drain", "CodeSystem", "CodeSystem/$lookup"):
            assert outcome(http.get(f"/fhir/R4/{path}", key=token), 403)["code"] == "forbidden"


#: What a terminology client asks, and what it should find. memberOf calls ValueSet/$validate-code; see fhirpath's own
#: documentation and hl7.org/fhir/fhirpath.html#txapi.
CODING = {"system": SYSTEM, "code": "interval-output", "display": "Interval output"}
OBSERVATION = {"resourceType": "Observation", "status": "final", "code": {"coding": [CODING]}}
OBSERVED = f"{BASE}/ValueSet/chest-drain-observation"
ASKED = {
    f"Observation.code.memberOf('{OBSERVED}')": [True],
    f"Observation.code.memberOf('{SITES}')": [False],
    f"Observation.code.coding.memberOf('{OBSERVED}')": [True],
    "%terminologies.lookup(Observation.code.coding).parameter.where(name = 'display').value": [
        "Interval output"
    ],
    f"%terminologies.validateVS('{SITES}', Observation.code.coding).parameter.where(name = 'result').value": [
        False
    ],
    f"%terminologies.validateCS('{SYSTEM}', Observation.code.coding).parameter.where(name = 'result').value": [
        True
    ],
    f"%terminologies.expand('{SITES}', 'filter=mediast').expansion.contains.code": [
        "site-mediastinal",
        "site-left-mediastinal",
        "site-right-mediastinal",
        "MEDST",
    ],
    f"%terminologies.translate('{BASE}/ConceptMap/chest-drain', Observation.code.coding, '')"
    ".parameter.where(name = 'match').part.where(name = 'concept').value.code": ["9129-8", "251843005"],
}


def test_a_terminology_client_gets_along_with_it(tmp_path: Path) -> None:
    """The npm package fhirpath asks a service that runs in a process of its own."""
    with started("sqlite", tmp_path) as (store, services):
        request = {
            "base": f"{services[0].base}/fhir/R4",
            "key": process_key(store, "clients"),
            "fhir": "R4",
            "asked": [{"resource": OBSERVATION, "expression": each} for each in ASKED],
        }
        done = subprocess.run(
            command("terminology.mjs"), input=json.dumps(request), capture_output=True, text=True, check=True
        )
    assert dict(zip(ASKED, json.loads(done.stdout), strict=True)) == ASKED
