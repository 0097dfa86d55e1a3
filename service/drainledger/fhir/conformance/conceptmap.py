"""How local codes stand to standard ones (R4 conceptmap.html, where the word describes the target; R5 the source).

A level, a rate or a total must not become LOINC 9129-8 (it would be counted as output): the mapping file says so, as
unmatched, and so does the map.
"""

from __future__ import annotations

from drainledger.fhir.codes import Code, StandardCode, Vocabulary
from drainledger.fhir.conformance.common import head
from drainledger.fhir.conformance.terminology import all_codes_url
from drainledger.fhir.dialect import Json
from drainledger.fhir.resource import Fhir

#: R4 concept-map-equivalence, about the target -> R5 concept-map-relationship, read from the source.
RELATIONSHIP = {
    "equivalent": "equivalent",
    "wider": "source-is-narrower-than-target",
    "narrower": "source-is-broader-than-target",
    "inexact": "related-to",
}


def concept_map(vocabulary: Vocabulary, base: str, fhir: Fhir) -> Json:
    """One group a target system."""
    described = head(
        "ConceptMap",
        "chest-drain",
        base,
        "Chest-drain codes and standard codes",
        "Which standard code fits a local one, and how well. LOINC 9129-8 stands on interval outputs only: adding up "
        "its values gives the output, and nothing is counted twice. SNOMED CT is named here alone and needs a licence "
        "of one's own.",
    )
    scope = "sourceUri" if fhir == "R4" else "sourceScopeUri"
    groups: dict[str, list[Json]] = {}
    for code in vocabulary.codes.values():
        for standard in code.standard:
            groups.setdefault(standard.system, []).append(_element(code, standard, fhir))
    return {
        **described,
        scope: all_codes_url(base),
        "group": [
            {"source": vocabulary.system, "target": system, "element": elements}
            for system, elements in groups.items()
        ],
    }


def _element(code: Code, standard: StandardCode, fhir: Fhir) -> Json:
    """What R4 calls unmatched, with its reason, R5 says by noMap, which has no room for one."""
    named = {"code": code.code, "display": code.display}
    if standard.relation == "unmatched" and fhir == "R5":
        return {**named, "noMap": True}
    target = {"code": standard.code, "display": standard.display} if standard.code else {}
    if fhir == "R4":
        target["equivalence"] = standard.relation
    else:
        target["relationship"] = RELATIONSHIP[standard.relation]
    if standard.comment is not None:
        target["comment"] = standard.comment
    return {**named, "target": [target]}
