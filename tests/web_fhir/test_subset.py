"""`_summary` and `_elements`: the tables against fhir.resources and the R4 definitions, and what is answered."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import fhir.resources
import fhir.resources.R4B
import pytest

from drainledger.fhir.resource import Fhir
from drainledger.web.fhir.base import TYPES, type_name
from drainledger.web.fhir.elements import ALWAYS, KEPT, SUMMARY
from drainledger.web.fhir.subset import SUBSETTED, subset
from tests.harness.node import NODE_DIR
from tests.web.http import Http
from tests.web_fhir.journals import emitted
from tests.web_fhir.validity import problems

VERSIONS: tuple[Fhir, ...] = ("R4", "R5")
MODELS = {"R4": fhir.resources.R4B.get_fhir_model_class, "R5": fhir.resources.get_fhir_model_class}
EVERY = [(version, type_) for version in VERSIONS for type_ in SUMMARY[version]]


@pytest.mark.parametrize(("version", "type_"), EVERY)
def test_summaries_hold_what_fhir_resources_says(version: Fhir, type_: str) -> None:
    model: Any = MODELS[version](type_)
    assert SUMMARY[version][type_] | ALWAYS == {*model.summary_elements_sequence()} | ALWAYS


def test_all_that_is_served_is_in_the_tables() -> None:
    for version in VERSIONS:
        assert {type_name(version, each) for each in TYPES} <= SUMMARY[version].keys()
        assert SUMMARY[version].keys() <= KEPT[version].keys()


@cache
def definitions() -> dict[str, Any]:
    """The StructureDefinitions of R4's resources, by type."""
    folder = NODE_DIR / "node_modules" / "@medplum" / "definitions" / "dist" / "fhir" / "r4"
    entries = json.loads((folder / "profiles-resources.json").read_text("utf-8"))["entry"]
    found = [
        each["resource"] for each in entries if each["resource"]["resourceType"] == "StructureDefinition"
    ]
    return {each["type"]: each for each in found if each["type"] == each["id"]}


@pytest.mark.parametrize("type_", sorted(KEPT["R4"].keys() - {"DeviceUsage"}))
def test_what_is_mandatory_or_a_modifier_is_kept(type_: str) -> None:
    """R4 by its definitions."""
    expected: set[str] = set()
    for element in definitions()[type_]["snapshot"]["element"]:
        _, dot, name = element["path"].partition(".")
        if dot and "." not in name and (element["min"] > 0 or element.get("isModifier")):
            choices = [f"{name[:-3]}{each['code'][0].upper()}{each['code'][1:]}" for each in element["type"]]
            expected |= set(choices) if name.endswith("[x]") else {name}
    assert KEPT["R4"][type_] | ALWAYS == expected | ALWAYS


@pytest.mark.parametrize("type_", sorted(SUMMARY["R5"]))
def test_what_is_mandatory_in_r5_is_kept(type_: str) -> None:
    """By fhir.resources, which knows no modifiers; those are R4's."""
    model: Any = MODELS["R5"](type_)
    for name, field in model.model_fields.items():
        extra = field.json_schema_extra or {}
        if extra.get("element_property") and (field.is_required() or extra.get("element_required")):
            assert (field.alias or name) in KEPT["R5"][type_]


RESOURCE: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "x",
    "meta": {"versionId": "1", "profile": ["p"]},
    "text": {"status": "generated"},
    "status": "final",
    "category": [],
    "code": {"text": "c"},
    "valueQuantity": {"value": 1},
    "_valueQuantity": {"id": "y"},
    "dataAbsentReason": {"text": "r"},
    "valueset": "not a value",
    "note": [],
}


@pytest.mark.parametrize(
    ("summary", "elements", "left"),
    [
        ("true", None, "status code valueQuantity _valueQuantity"),
        ("text", None, "text status code"),
        (
            "data",
            None,
            "status category code valueQuantity _valueQuantity dataAbsentReason valueset note",
        ),
        (None, ["note"], "status code note"),
        (None, ["value"], "status code valueQuantity _valueQuantity"),
        (None, ["valueQuantity", "Observation.note"], "status code valueQuantity _valueQuantity note"),
        (None, ["Patient.note", "nothing"], "status code"),
    ],
)
def test_what_is_left(summary: str | None, elements: list[str] | None, left: str) -> None:
    part = subset(RESOURCE, "R4", summary=summary, elements=elements)
    assert list(part) == ["resourceType", "id", "meta", *left.split()]
    assert part["meta"] == {"versionId": "1", "profile": ["p"], "tag": [SUBSETTED]}
    assert "tag" not in RESOURCE["meta"]


@pytest.mark.parametrize("summary", [None, "false", "count"])
def test_all_of_it_stays_as_it_is(summary: str | None) -> None:
    assert subset(RESOURCE, "R4", summary=summary, elements=None) is RESOURCE


def test_parts_are_valid(ward: Http, conformance_dir: Path) -> None:
    """Of each type one, each part of it, in both versions."""
    some = {each.type: each.id for each in emitted(ward)}
    provenance = ward.get("/fhir/R4/Provenance/_history?_count=1").json()["entry"][0]["resource"]["id"]
    some |= {"Provenance": provenance, "AuditEvent": "audit-1"}
    for version in VERSIONS:
        for query in ("_summary=true", "_summary=text", "_summary=data", "_elements=identifier"):
            bodies = []
            for type_, id_ in some.items():
                got = ward.get(f"/fhir/{version}/{type_name(version, type_)}/{id_}?{query}")
                assert got.status_code == 200, got.text
                resource = got.json()
                assert resource["meta"]["tag"] == [SUBSETTED]
                assert got.headers["etag"] == f'W/"{resource["meta"]["versionId"]}"'
                bodies.append(got.content)
            # What the project promises of a whole resource, it does not of a part.
            found = problems(bodies, version, conformance_dir)
            kept = [each for each in found if each.rule not in ("promised-element", "value-or-reason")]
            assert kept == [], (version, query)


def test_a_history_may_be_in_part(ward: Http) -> None:
    for query, left in (("_summary=true", "issued"), ("_elements=bodySite", "bodySite")):
        bundle = ward.get(f"/fhir/R4/Observation/_history?_count=3&{query}").json()
        for entry in bundle["entry"]:
            assert entry["resource"]["meta"]["tag"] == [SUBSETTED]
            assert left in entry["resource"]
            assert "category" not in entry["resource"]
        following = next(link["url"] for link in bundle["link"] if link["relation"] == "next")
        assert query in following
