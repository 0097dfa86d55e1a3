"""The code system, whole, and a value set a kind of code (R4 codesystem.html, valueset.html; R5 reads alike)."""

from __future__ import annotations

from collections.abc import Iterator

from drainledger.fhir.codes import Code, Vocabulary
from drainledger.fhir.conformance.common import head
from drainledger.fhir.dialect import Json

V2_BODY_SITE = "http://terminology.hl7.org/CodeSystem/v2-0550"

_TITLES = {
    "observation": "What is observed at a chest drain",
    "component": "Parts of chest-drain observations",
    "category": "Category of chest-drain records",
    "device-type": "Devices around a chest drain",
    "property-type": "Properties of collection units",
    "site": "Where a chest drain lies",
    "bubbling": "How air bubbles through the leak meter",
    "tidaling": "Whether the column swings with breathing",
    "patency": "Whether the tube lets fluid through",
    "appearance": "What the drained fluid looks like",
    "suction-mode": "Suction or gravity",
    "suction-indicator": "Whether the set suction is reached",
    "leak-provoked": "How an air leak was provoked",
    "pinch-result": "What pinching a tube did to the bubbling",
    "method": "How a value was read or worked out",
    "leak-scale": "Scales of leak meters",
    "finding": "Findings of the chest-drain ledger",
}


def code_system(vocabulary: Vocabulary, base: str) -> Json:
    """Every local code on the wire is one of these."""
    described = head(
        "CodeSystem",
        "chest-drain",
        base,
        "Chest-drain record",
        "Local codes for chest drains, for what no verified standard code says. They are no terminology of their own: "
        "where a standard code fits, it stands beside the local one.",
    )
    return {
        **described,
        "caseSensitive": True,
        "valueSet": all_codes_url(base),
        "content": "complete",
        "count": len(vocabulary.codes),
        "property": [{"code": "kind", "description": "What the code is for", "type": "string"}],
        "concept": [_concept(code) for code in vocabulary.codes.values()],
    }


def _concept(code: Code) -> Json:
    return {
        "code": code.code,
        "display": code.display,
        "definition": code.definition,
        "property": [{"code": "kind", "valueString": code.kind}],
    }


def all_codes_url(base: str) -> str:
    return f"{base}/ValueSet/chest-drain"


def kind_url(base: str, kind: str) -> str:
    return f"{base}/ValueSet/{_kind_id(kind)}"


def _kind_id(kind: str) -> str:
    return "drain-site" if kind == "site" else f"chest-drain-{kind}"


def value_sets(vocabulary: Vocabulary, base: str) -> Iterator[Json]:
    """All codes, and one set a kind, enumerated; sites with the codes of HL7 v2 table 0550 that they stand beside."""
    whole = head("ValueSet", "chest-drain", base, "Chest-drain record, all codes", "All local codes.")
    yield {**whole, "compose": {"include": [{"system": vocabulary.system}]}}
    kinds: dict[str, list[Code]] = {}
    for code in vocabulary.codes.values():
        kinds.setdefault(code.kind, []).append(code)
    for kind, codes in kinds.items():
        title = _TITLES.get(kind, kind.replace("-", " ").capitalize())
        described = head("ValueSet", _kind_id(kind), base, title, f"{title}: the local codes.")
        include = [{"system": vocabulary.system, "concept": [_named(code) for code in codes]}]
        if kind == "site":
            include += _standard_sites(codes)
        yield {**described, "compose": {"include": include}}


def _named(code: Code) -> Json:
    return {"code": code.code, "display": code.display}


def _standard_sites(codes: list[Code]) -> list[Json]:
    named = {
        standard.code: standard.display
        for code in codes
        for standard in code.standard
        if standard.system == V2_BODY_SITE and standard.code
    }
    if not named:
        return []
    concepts = [{"code": code, "display": display} for code, display in sorted(named.items())]
    return [{"system": V2_BODY_SITE, "concept": concepts}]
