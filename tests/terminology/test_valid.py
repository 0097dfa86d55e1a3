"""Answers are FHIR by validators that nobody here wrote: R4 by @medplum/core, fhirpath and fhir.resources, R5 by
fhir.resources. What goes in is what the official OperationDefinitions have; the names are copied from hl7.org/fhir/R4
and /R5: codesystem-operation-lookup and -validate-code, valueset-operation-validate-code and -expand,
conceptmap-operation-translate."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drainledger.fhir import Fhir
from drainledger.fhir.terminology import OPERATIONS
from tests.harness.models import check_models
from tests.harness.node import validate
from tests.terminology.content import SYSTEM, Json, ask

SET = f"{SYSTEM.removesuffix('CodeSystem/chest-drain')}ValueSet/drain-site"


def answers(fhir: Fhir) -> list[Json]:
    """One of each shape."""
    code = "code" if fhir == "R4" else "sourceCode"
    wrong = {"system": SYSTEM, "code": "site-pleural", "display": "x"}
    return [
        ask("CodeSystem", "lookup", fhir, system=SYSTEM, code="patency"),
        ask("CodeSystem", "lookup", fhir, system="http://loinc.org", code="9129-8"),
        ask("CodeSystem", "validate-code", fhir, url=SYSTEM, code="patency", displayLanguage="de"),
        ask("CodeSystem", "validate-code", fhir, url=SYSTEM, code="no-such-code"),
        ask("ValueSet", "validate-code", fhir, url=SET, codeableConcept={"coding": [wrong]}),
        ask(
            "ValueSet",
            "validate-code",
            fhir,
            url=SET,
            codeableConcept={"coding": [wrong | {"display": "Pleural space"}]},
        ),
        ask("ValueSet", "expand", fhir, url=SET),
        ask("ValueSet", "expand", fhir, url=SET, includeDefinition="true", filter="pleu", count="2"),
        ask("ValueSet", "expand", fhir, url=SET, filter="nothing of the kind"),
        *(
            ask("ConceptMap", "translate", fhir, None, **{"system": SYSTEM, code: each})
            for each in ("interval-output", "chamber-level", "running-total", "site-left-pleural", "patency")
        ),
    ]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_by_fhir_resources(fhir: Fhir) -> None:
    assert check_models([json.dumps(each) for each in answers(fhir)], fhir) == []


def test_by_the_validators_of_r4(conformance_dir: Path) -> None:
    assert validate([json.dumps(each) for each in answers("R4")], conformance_dir, whole_set=False) == []


VALIDATE = "code version display coding codeableConcept date abstract displayLanguage"
EXPAND = (
    "url valueSet valueSetVersion context contextDirection filter date offset count includeDesignations designation "
    "includeDefinition activeOnly excludeNested excludeNotForUI excludePostCoordinated displayLanguage exclude-system "
    "system-version check-system-version force-system-version"
)
IN_SET = (
    "url context valueSet valueSetVersion code system systemVersion display coding codeableConcept date abstract "
    "displayLanguage"
)
LOOKUP = "code system version coding date displayLanguage property"
NAMES: dict[tuple[str, str], dict[Fhir, str]] = {
    ("CodeSystem", "lookup"): {"R4": LOOKUP, "R5": f"{LOOKUP} useSupplement"},
    ("CodeSystem", "validate-code"): {"R4": f"url codeSystem {VALIDATE}", "R5": f"url codeSystem {VALIDATE}"},
    ("ValueSet", "validate-code"): {"R4": IN_SET, "R5": f"{IN_SET} useSupplement"},
    ("ValueSet", "expand"): {"R4": EXPAND, "R5": f"{EXPAND} useSupplement property"},
    ("ConceptMap", "translate"): {
        "R4": "url conceptMap conceptMapVersion code system version source coding codeableConcept target targetsystem "
        "dependency reverse",
        "R5": "url conceptMap conceptMapVersion sourceCode system version sourceScope sourceCoding "
        "sourceCodeableConcept targetCode targetCoding targetCodeableConcept targetScope targetSystem dependency",
    },
}


def test_every_parameter_of_the_definitions_is_known_and_no_other() -> None:
    assert {(each.type, each.code) for each in OPERATIONS} == NAMES.keys()
    for operation in OPERATIONS:
        for fhir, names in NAMES[operation.type, operation.code].items():
            assert sorted(each.name for each in operation.parameters[fhir]) == sorted(names.split())
