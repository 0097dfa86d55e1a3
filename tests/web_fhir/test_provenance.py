"""Provenance and AuditEvent, rendered when they are read (R4 provenance.html, auditevent.html)."""

from __future__ import annotations

import json
from typing import Any

import pytest

from drainledger.web.fhir.base import TYPES
from tests.convert.journals import CASE_1, correction, ml, reading, retraction
from tests.web.http import Http, key_for, store_of
from tests.web_fhir.journals import Journals, emitted

Json = dict[str, Any]


def get(http: Http, path: str, key: str | None = "") -> Json:
    got = http.get(path, key=key)
    assert got.status_code == 200, got.text
    found: Json = json.loads(got.content)
    return found


def provenances(http: Http, key: str | None = "", version: str = "R4") -> list[Json]:
    bundle = get(http, f"/fhir/{version}/Provenance/_history?_count=1000", key)
    return [entry["resource"] for entry in bundle.get("entry", ())]


def test_every_version_has_one(journals: Journals) -> None:
    for tenant, key in journals.keys.items():
        targets = [
            target["reference"] for each in provenances(journals.http, key) for target in each["target"]
        ]
        versions = [
            f"{each.type}/{each.id}/_history/{each.version}" for each in emitted(journals.http, tenant)
        ]
        assert sorted(targets) == sorted(versions)


def by_target(http: Http, reference: str) -> Json:
    (found,) = [
        each for each in provenances(http) if reference in [target["reference"] for target in each["target"]]
    ]
    return found


def sources(provenance: Json) -> list[str]:
    return [
        entity["what"]["identifier"]["value"] for entity in provenance["entity"] if entity["role"] == "source"
    ]


def about(http: Http, record: str, part: str) -> str:
    """The id of a part of what a record of the bedside gave."""
    value = f"bedside.{record}.{part}"
    (found,) = {each.id for each in emitted(http) if json.loads(each.body)["identifier"][0]["value"] == value}
    return found


def test_what_a_record_gave_and_what_changed_it(empty: Http) -> None:
    """Case 1 of DESIGN 4, each record by itself; then a reading in between, a correction and a retraction."""
    nurse = {"kind": "practitioner", "system": "https://ward.example/staff", "value": "n-1"}
    for record in CASE_1:
        assert empty.post(record).status_code == 200
    assert empty.post(reading("r-25", "08:30", 90, observer=nurse)).status_code == 200
    late = f"Observation/{about(empty, 'r-25', 'interval-output')}/_history/1"
    new = by_target(empty, late)
    assert new["activity"]["coding"][0]["code"] == "CREATE"
    assert new["occurredDateTime"] == "2026-03-02T08:30:00+00:00"
    assert sources(new) == ["bedside.r-25"]
    assert [agent["type"]["coding"][0]["code"] for agent in new["agent"]] == ["assembler", "author"]
    assert new["agent"][1]["who"]["identifier"]["value"] == "n-1"
    assert not [entity for entity in new["entity"] if entity["role"] == "revision"]

    neighbour = about(empty, "r-3", "interval-output")
    changed = by_target(empty, f"Observation/{neighbour}/_history/2")
    assert changed["activity"]["coding"][0]["code"] == "UPDATE"
    assert sources(changed) == ["bedside.r-3", "bedside.r-25"]
    replaced = [entity["what"]["reference"] for entity in changed["entity"] if entity["role"] == "revision"]
    assert f"Observation/{neighbour}/_history/1" in replaced

    assert (
        empty.post(correction("c-1", reading("r-2", "08:00", 90), "10:00", level=ml(80))).status_code == 200
    )
    corrected = by_target(empty, f"Observation/{about(empty, 'r-2', 'chamber-level')}/_history/2")
    assert sources(corrected) == ["bedside.r-2", "bedside.c-1"]
    assert corrected["occurredDateTime"] == "2026-03-02T10:00:00+00:00"

    assert empty.post(retraction("x-1", "r-2", "11:00")).status_code == 200
    withdrawn = by_target(empty, f"Observation/{about(empty, 'r-2', 'chamber-level')}/_history/3")
    assert withdrawn["activity"]["coding"][0]["code"] == "NULLIFY"
    assert sources(withdrawn) == ["bedside.r-2", "bedside.x-1"]


def test_of_records_that_came_together_each_answers_for_its_own(empty: Http) -> None:
    assert empty.post(*CASE_1).status_code == 200
    for record in ("r-1", "r-2", "r-3"):
        target = f"Observation/{about(empty, record, 'interval-output')}/_history/1"
        assert sources(by_target(empty, target)) == [f"bedside.{record}"]


def test_it_reads_by_its_id_and_what_it_names_is_there(ward: Http) -> None:
    found = provenances(ward)
    assert len(found) > 50
    for each in found[:20]:
        alone = get(ward, f"/fhir/R4/Provenance/{each['id']}")
        assert alone == each
        assert get(ward, f"/fhir/R4/Provenance/{each['id']}/_history/1") == each
        assert get(ward, f"/fhir/R5/Provenance/{each['id']}")["target"] == each["target"]
        for target in each["target"]:
            assert ward.get(f"/fhir/R4/{target['reference']}").status_code == 200
        assembler = each["agent"][0]["who"]["reference"]
        assert get(ward, f"/fhir/R4/{assembler}")["type"]["coding"][0]["code"] == "adapter-software"
    for unknown in ("x.provenance.1", found[0]["id"] + "9", "nobody"):
        assert ward.get(f"/fhir/R4/Provenance/{unknown}").status_code == 404


def test_the_adapter_is_among_the_devices(ward: Http) -> None:
    devices = get(ward, "/fhir/R4/Device/_history?_count=1000")
    adapters = [
        entry["resource"]
        for entry in devices["entry"]
        if entry["resource"]["type"]["coding"][0]["code"] == "adapter-software"
    ]
    assert len(adapters) == 1
    path = f"/fhir/R4/Device/{adapters[0]['id']}"
    assert get(ward, path) == adapters[0]
    assert get(ward, f"{path}/_history/{adapters[0]['meta']['versionId']}") == adapters[0]
    assert get(ward, f"{path}/_history")["total"] == 1


# The trail


def events(http: Http, version: str = "R4") -> list[Json]:
    bundle = get(http, f"/fhir/{version}/AuditEvent/_history?_count=1000")
    return [entry["resource"] for entry in bundle["entry"]]


def patients_of(event: Json) -> set[str]:
    return {
        entity["what"]["reference"] for entity in event["entity"] if "reference" in entity.get("what", {})
    }


def test_each_access_is_an_event_with_its_patients(empty: Http) -> None:
    empty.post(*CASE_1)
    (patient,) = {each.id for each in emitted(empty) if each.type == "Patient"}
    level = about(empty, "r-1", "chamber-level")
    empty.get(f"/fhir/R4/Observation/{level}")
    empty.get("/fhir/R4/Observation/nobody")
    empty.get("/v1/drains/drn-7")
    empty.get("/fhir/R4/Observation/_history?_count=1")
    found = events(empty)
    assert [(each["subtype"][0]["code"], each["outcome"], each["outcomeDesc"]) for each in found] == [
        ("history", "0", "200"),
        ("read", "0", "200"),
        ("read", "4", "404"),
        ("read", "0", "200"),
        ("create", "0", "committed"),
    ]
    assert [patients_of(each) for each in found] == [
        {f"Patient/{patient}"},
        {f"Patient/{patient}"},
        set(),
        {f"Patient/{patient}"},
        {f"Patient/{patient}"},
    ]
    names = [each["entity"][0]["name"] for each in found]
    assert names[0] == "GET /fhir/R4/{type}/_history"
    assert names[-1] == "POST /v1/records"


def test_they_name_nobody_but_by_the_id_of_a_patient(ward: Http) -> None:
    ward.get("/v1/drains/drn-1")
    text = json.dumps([events(ward), events(ward, "R5")])
    for identifier in ("P-1", "P-2", "drn-1", "drn-2", "a-1", "https://ward.example/mrn"):
        assert f'"{identifier}' not in text
    with store_of(ward.app).read("north") as read:
        assert any("drn-1" in row.drains for row in read.audits(0, 1000))  # though the trail has them


def test_r5_has_them_in_its_own_words(ward: Http) -> None:
    r4, r5 = events(ward)[3], events(ward, "R5")
    (same,) = [each for each in r5 if each["id"] == r4["id"]]
    assert same["outcome"]["code"]["code"] == r4["outcome"]
    assert same["code"]["coding"] == r4["subtype"]
    assert patients_of(same) == patients_of(r4)
    assert get(ward, f"/fhir/R4/AuditEvent/{r4['id']}") == r4


@pytest.mark.parametrize("scopes", [("read",), ("operate",), ("read", "records.write")])
def test_the_trail_is_for_who_operates_and_reads(ward: Http, scopes: tuple[str, ...]) -> None:
    key = key_for(ward.app, *scopes)
    for path in ("/fhir/R4/AuditEvent/audit-1", "/fhir/R4/AuditEvent/_history"):
        got = ward.get(path, key=key)
        assert (got.status_code, got.json()["issue"][0]["code"]) == (403, "forbidden")
    both = key_for(ward.app, "read", "operate")
    assert ward.get("/fhir/R4/AuditEvent/audit-1", key=both).status_code == 200


def test_another_tenant_sees_nothing(ward: Http) -> None:
    south = key_for(ward.app, tenant="south")
    for type_ in TYPES:
        if type_ != "AuditEvent":
            assert get(ward, f"/fhir/R4/{type_}/_history", south)["total"] == 0
    for each in emitted(ward):
        assert ward.get(f"/fhir/R4/{each.type}/{each.id}", key=south).status_code == 404
    first = provenances(ward)[0]["id"]
    assert ward.get(f"/fhir/R4/Provenance/{first}", key=south).status_code == 404
