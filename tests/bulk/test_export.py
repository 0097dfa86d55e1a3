"""Exports from the kick-off to the files (Bulk Data Access IG 2.0.0, export.html)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from drainledger.fhir import conformance_resources
from drainledger.store import exports
from tests.bulk.exporting import ASYNC, exported, finished, lines, order, place, resources
from tests.bulk.program import Program
from tests.convert.journals import ward as ward_records
from tests.fhir import samples
from tests.web.http import Http, caller, key_for, postgres_url, settings_for, store_of
from tests.web_fhir.journals import emitted
from tests.web_fhir.validity import problems


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def http(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Http]:
    """Two patients, three drains; every record in a commit of its own."""
    folder = tmp_path_factory.mktemp("bulk")
    changed: dict[str, Any] = {"export_dir": folder / "exports", "export_file_resources": 40}
    if request.param == "postgresql":
        changed["database"] = SecretStr(postgres_url())
    with caller(settings_for(folder, **changed)) as opened:
        for record in ward_records():
            told = dict(record)
            if told["record"] == "drain":
                told = told | {"ward": "North 4" if told["id"].endswith("1") else "South 2"}
            assert opened.post(told).status_code == 200
        yield opened


@pytest.fixture(scope="module")
def conformance_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("conformance-r4")
    for resource in conformance_resources(samples.mappings().codes, samples.BASE, "R4"):
        (folder / f"{resource.type}-{resource.id}.json").write_bytes(resource.body)
    return folder


def current(http: Http) -> dict[str, int]:
    """Each stored resource's last version."""
    found: dict[str, int] = {}
    for each in emitted(http):
        found[f"{each.type}/{each.id}"] = max(each.version, found.get(f"{each.type}/{each.id}", 0))
    return found


def test_the_system_holds_everything_once(http: Http) -> None:
    manifest = exported(http)
    found = resources(http, manifest)
    stored = {
        reference: int(each["meta"]["versionId"])
        for reference, each in found.items()
        if not reference.startswith(("Provenance/", "AuditEvent/")) and each.get("type", {}) != _adapter(each)
    }
    assert stored == current(http)
    assert manifest["requiresAccessToken"] is True
    assert manifest["request"] == "http://127.0.0.1:8080/fhir/R4/$export"
    assert manifest["error"] == manifest["deleted"] == []
    assert {each["type"] for each in manifest["output"]} >= {"Provenance", "AuditEvent", "Observation"}
    assert all(each["count"] <= 40 for each in manifest["output"])
    assert sum(each["type"] == "Observation" for each in manifest["output"]) > 1


def _adapter(resource: dict[str, Any]) -> Any:
    codings = resource.get("type", {}).get("coding", []) if isinstance(resource.get("type"), dict) else []
    is_adapter = any(each.get("code") == "adapter-software" for each in codings)
    return resource.get("type") if is_adapter else None


def test_a_line_is_what_a_read_gives(http: Http) -> None:
    for fhir in ("R4", "R5"):
        manifest = exported(http, f"/fhir/{fhir}/$export")
        for line in lines(http, manifest)[::23]:
            told = json.loads(line)
            read = http.get(f"/fhir/{fhir}/{told['resourceType']}/{told['id']}")
            assert read.content == line


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_all_lines_are_valid(http: Http, fhir: Any, conformance_dir: Path) -> None:
    assert problems(lines(http, exported(http, f"/fhir/{fhir}/$export")), fhir, conformance_dir) == []


def test_adding_up_gives_the_ledgers_output(http: Http) -> None:
    """FHIR.md 1: nothing is counted twice. The ledger is the service's own, by another way: /v1."""
    found = resources(http, exported(http, params={"_type": "Observation"}))
    total = sum(
        Decimal(str(each["valueQuantity"]["value"]))
        for each in found.values()
        if any(code.get("code") == "9129-8" for code in each["code"]["coding"]) and "valueQuantity" in each
    )
    drains = [each["drain"] for each in http.get("/v1/drains").json()["drains"]]
    ledger = sum(Decimal(http.get(f"/v1/drains/{each}").json()["total"]["total_ml"]) for each in drains)
    assert total == ledger > 0


def test_types_elements_and_since(http: Http) -> None:
    first = exported(http, params={"_type": "Patient,Device"})
    assert {each["type"] for each in first["output"]} == {"Patient", "Device"}
    some = resources(http, exported(http, params={"_type": "Observation", "_elements": "status,Device.type"}))
    for each in some.values():
        assert each["meta"]["tag"][0]["code"] == "SUBSETTED"
        assert {"status", "code"} <= each.keys()
        assert "derivedFrom" not in each
    since = first["transactionTime"]
    assert exported(http, params={"_type": "Observation", "_since": since})["output"] == []
    early = exported(http, params={"_type": "Observation", "_since": "2020-01-01T00:00:00+00:00"})
    assert len(resources(http, early)) == len(some)


def test_since_gives_what_changed_and_nothing_else(http: Http) -> None:
    before = exported(http)
    every = sorted(
        datetime.fromisoformat(each["meta"]["lastUpdated"])
        for each in resources(http, exported(http, params={"_type": "Observation"})).values()
    )
    middle = every[len(every) // 2]
    later = resources(http, exported(http, params={"_type": "Observation", "_since": middle.isoformat()}))
    assert len(later) == sum(each > middle for each in every) > 0
    assert before["transactionTime"]


def test_patients_have_their_compartments_and_devices(http: Http) -> None:
    found = resources(http, exported(http, "/fhir/R4/Patient/$export"))
    assert not any(each.startswith("AuditEvent/") for each in found)
    system = resources(http, exported(http))
    for kind in ("Patient", "Observation", "DeviceUseStatement", "DetectedIssue", "Device", "DeviceMetric"):
        mine = {each for each in system if each.startswith(f"{kind}/")}
        assert {each for each in found if each.startswith(f"{kind}/")} == mine


def test_a_ward_is_a_group_and_holds_its_own(http: Http, conformance_dir: Path) -> None:
    bundle = http.get("/fhir/R4/Group").json()
    wards = {each["resource"]["name"]: each["resource"] for each in bundle["entry"]}
    assert set(wards) == {"North 4", "South 2"}
    bodies = [http.get("/fhir/R4/Group").content]
    seen: dict[str, set[str]] = {}
    for name, told in wards.items():
        read = http.get(f"/fhir/R4/Group/{told['id']}")
        system = told["identifier"][0]["system"]
        for asked, total in ((f"{system}|{name}", 1), (f"https://else.example|{name}", 0), (f"|{name}", 0)):
            assert http.get("/fhir/R4/Group", params={"identifier": asked}).json()["total"] == total
        assert read.json() == told
        bodies.append(read.content)
        assert http.get("/fhir/R4/Group", params={"identifier": name}).json()["total"] == 1
        found = resources(http, exported(http, f"/fhir/R4/Group/{told['id']}/$export"))
        seen[name] = {each for each in found if each.startswith("Patient/")}
        assert seen[name] == {each["entity"]["reference"] for each in told["member"]}
        subjects = {each["subject"]["reference"] for each in found.values() if "subject" in each}
        assert subjects == seen[name]
        assert any(each.startswith("DeviceMetric/") for each in found)
        for each in found.values():
            if each["resourceType"] == "Observation" and "device" in each:
                assert each["device"]["reference"] in found
    assert problems(bodies, "R4", conformance_dir) == []
    r5 = [http.get("/fhir/R5/Group").content]
    assert problems(r5, "R5", conformance_dir) == []
    assert order(http, "/fhir/R4/Group/none/$export").status_code == 404


def test_patients_may_be_named_in_a_post(http: Http) -> None:
    patients = sorted(
        each for each in resources(http, exported(http, params={"_type": "Patient"})) if "Patient/" in each
    )
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "patient", "valueReference": {"reference": patients[0]}},
            {"name": "_type", "valueString": "Observation"},
        ],
    }
    answered = http.call("POST", "/fhir/R4/Patient/$export", json=body, headers=ASYNC)
    found = resources(http, finished(http, place(answered)).json())
    assert {each["subject"]["reference"] for each in found.values()} == {patients[0]}
    body["parameter"][0]["valueReference"]["reference"] = "Patient/nobody"  # type: ignore[index]  # it is a list of dicts
    assert http.call("POST", "/fhir/R4/Patient/$export", json=body, headers=ASYNC).status_code == 400
    assert http.call("POST", "/fhir/R4/$export", content=b"[", headers=ASYNC).status_code == 400
    assert order(http, "/fhir/R4/Patient/$export?patient=Patient/1").status_code == 400


REFUSED = [
    {"_type": "Medication"},
    {"_since": "2026-03-02"},
    {"_since": "2026-13-02T00:00:00Z"},
    {"_outputFormat": "application/fhir+parquet"},
    {"_typeFilter": "Observation?status=final"},
    {"_elements": "a.b.c"},
    {"includeAssociatedData": "LatestProvenanceResources"},
]


@pytest.mark.parametrize("asked", REFUSED, ids=lambda asked: next(iter(asked)))
def test_what_cannot_be_done_is_refused(http: Http, asked: dict[str, str], conformance_dir: Path) -> None:
    refused = order(http, params=asked)
    assert refused.status_code == 400
    assert refused.json()["issue"][0]["expression"] == [f"http.{next(iter(asked))}"]
    assert problems([refused.content], "R4", conformance_dir) == []


def test_it_is_answered_later_or_not_at_all(http: Http) -> None:
    assert http.get("/fhir/R4/$export").status_code == 400
    assert order(http, prefer="respond-async, handling=strict", params={"other": "1"}).status_code == 400


def test_lenient_calls_are_told_what_was_passed_over(http: Http, conformance_dir: Path) -> None:
    answered = order(
        http,
        prefer="respond-async, handling=lenient",
        params={"_type": "Patient,Medication", "_typeFilter": "Patient?x=y", "_outputFormat": "ndjson"},
    )
    manifest = finished(http, place(answered)).json()
    assert {each["type"] for each in manifest["output"]} == {"Patient"}
    told = lines(http, manifest, "error")
    assert len(told) == 2
    assert problems([answered.content, *told], "R4", conformance_dir) == []


def test_who_may_have_it(http: Http) -> None:
    """Another tenant, and another client of the same one, know nothing of it; an operator may."""
    mine = Program(http.app)
    token = mine.token(http)
    where = place(order(http, key=token, params={"_type": "Patient"}))
    manifest = finished(http, where, key=token).json()
    url = manifest["output"][0]["url"]
    others = {
        "another tenant's": key_for(http.app, tenant="south"),
        "another client": Program(http.app).token(http),
        "a key that reads": key_for(http.app, "read"),
    }
    for who, key in others.items():
        assert http.get(where, key=key).status_code == 404, who
        assert http.get(url, key=key).status_code == 404, who
        assert http.call("DELETE", where, key=key).status_code == 404, who
    narrow = mine.token(http, "system/Observation.rs")
    assert http.get(url, key=narrow).status_code == 403, "the token has to name what is in it"
    assert http.get(url, key=None).status_code == 401
    assert http.get(url, key=key_for(http.app)).status_code == 200
    assert http.get(url, key=token).status_code == 200
    assert http.get(f"{where}/..%2F..%2Fward.db", key=token).status_code == 404


def test_a_token_exports_what_it_names_alone(http: Http) -> None:
    program = Program(http.app, "system/Patient.rs", "system/Device.rs")
    token = program.token(http)
    manifest = exported(http, key=token)
    assert {each["type"] for each in manifest["output"]} == {"Patient", "Device"}
    assert order(http, key=token, params={"_type": "Observation"}).status_code == 403


def test_files_may_be_packed(http: Http) -> None:
    manifest = exported(http, params={"_type": "Patient"})
    url = manifest["output"][0]["url"]
    plain = http.get(url, headers={"Accept-Encoding": "identity"})
    packed = http.get(url, headers={"Accept-Encoding": "gzip"})
    assert packed.headers["content-encoding"] == "gzip"
    assert packed.content == plain.content
    assert "content-encoding" not in plain.headers


def test_a_cancelled_export_is_gone(http: Http) -> None:
    where = place(order(http))
    finished(http, where)
    folder = http.app.state.service.exports.folder_of(where.rsplit("/", 1)[1])
    assert folder.is_dir()
    assert folder.stat().st_mode & 0o077 == 0
    assert all(each.stat().st_mode & 0o077 == 0 for each in folder.rglob("*"))
    assert http.call("DELETE", where).status_code == 202
    assert not folder.exists()
    gone = http.get(where)
    assert (gone.status_code, gone.json()["resourceType"]) == (404, "OperationOutcome")


def test_files_go_when_their_time_is_over(http: Http, monkeypatch: pytest.MonkeyPatch) -> None:
    where = place(order(http))
    told = finished(http, where)
    assert told.headers["expires"].endswith("GMT")
    service = http.app.state.service
    folder = service.exports.folder_of(where.rsplit("/", 1)[1])
    monkeypatch.setattr(service.exports, "_clock", lambda: datetime.now(UTC) + timedelta(days=2))
    service.exports._clean()
    assert not folder.exists()
    assert http.get(where).status_code == 404


def test_an_access_leaves_its_row_with_the_patients(http: Http) -> None:
    manifest = exported(http, params={"_type": "Patient"})
    http.get(manifest["output"][0]["url"])
    with store_of(http.app).read("north") as read:
        last = read.newest_audits(1)[0]
    patients = {each.split("/")[1] for each in resources(http, manifest)}
    assert (last.action, set(last.patients)) == ("export", patients)
    assert last.route == "/fhir/R4/bulk/{id}/{name}"


def test_a_queue_has_an_end(http: Http) -> None:
    now = datetime.now(UTC)
    store = store_of(http.app)
    made = [exports.new("full", "c", b"", horizon=0, as_of=now, now=now) for _ in range(4)]
    for row in made:  # at work elsewhere, so that nobody here takes them
        assert exports.add(store, row, most=9)
        with store.database.write() as connection:
            connection.exec_driver_sql(
                f"UPDATE exports SET state = 'running', lease_until = {2**60} WHERE export_id = '{row.export_id}'"
            )
    refused = order(http, key=key_for(http.app, tenant="full"))
    assert refused.status_code == 429
    assert int(refused.headers["retry-after"]) > 0
    assert refused.json()["resourceType"] == "OperationOutcome"


def test_the_demonstration_needs_no_token(tmp_path: Path) -> None:
    with caller(settings_for(tmp_path), demo=True) as http:
        for record in ward_records():
            http.post(record)
        manifest = exported(http)
        assert manifest["requiresAccessToken"] is False
        assert resources(http, manifest)


def test_a_file_comes_packed_where_that_is_taken(http: Http) -> None:
    url = exported(http, params={"_type": "Patient"})["output"][0]["url"]
    for taken, packed in (
        ("gzip", "gzip"),
        ("br, gzip;q=0.5", "gzip"),
        ("gzip;q=0, identity", None),
        ("gzip; q=0.0", None),
        ("identity", None),
    ):
        answered = http.get(url, headers={"Accept-Encoding": taken})
        assert answered.headers.get("content-encoding") == packed, taken
        assert json.loads(answered.content.splitlines()[0])["resourceType"] == "Patient"
