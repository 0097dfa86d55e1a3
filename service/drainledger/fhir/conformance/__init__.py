"""The conformance set: what the resources on the wire claim, mean and promise (FHIR.md 'Conformance set').

R4 and R5 from one description; the version's differences stand beside what they change.
"""

from __future__ import annotations

from collections.abc import Mapping

from drainledger.fhir.codes import Code, Vocabulary
from drainledger.fhir.conformance.capability import capability_statement
from drainledger.fhir.conformance.conceptmap import concept_map
from drainledger.fhir.conformance.profiles import structure_definitions
from drainledger.fhir.conformance.search import search_parameters
from drainledger.fhir.conformance.terminology import code_system, value_sets
from drainledger.fhir.fragments import encode
from drainledger.fhir.resource import Fhir, Resource

__all__ = ["conformance_resources"]


def conformance_resources(codes: Mapping[str, Code], base: str, fhir: Fhir) -> list[Resource]:
    """CodeSystem, ValueSets, ConceptMap, StructureDefinitions, SearchParameters and CapabilityStatement, in order.

    Raises MissingCode when `codes` lacks one that rendering needs.
    """
    vocabulary = Vocabulary(codes, base)
    described = [
        code_system(vocabulary, base),
        *value_sets(vocabulary, base),
        concept_map(vocabulary, base, fhir),
        *structure_definitions(vocabulary, base, fhir),
        *search_parameters(base),
        capability_statement(base, fhir),
    ]
    return [Resource(one["resourceType"], one["id"], encode(one)) for one in described]
