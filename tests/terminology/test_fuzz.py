"""Whatever comes in is answered or refused, with an expression that says where: no other error, no other shape."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from drainledger.fhir import Fhir
from drainledger.fhir.terminology import (
    OPERATIONS,
    Operation,
    TerminologyRefused,
    of_query,
    of_resource,
    perform,
)
from tests.terminology.content import AT, BASE, SYSTEM, content

ISSUES = {"not-found", "invalid", "required", "value", "not-supported", "structure"}
URLS = (SYSTEM, f"{BASE}/ValueSet/drain-site", f"{BASE}/ConceptMap/chest-drain", "http://loinc.org")
PLAIN = ("9129-8", "patency", "interval-output", "true", "0", "|", "a|b", "", " ", "kind", "chest-drain")
WORDS = st.sampled_from((*URLS, *PLAIN))
SCALARS = WORDS | st.none() | st.booleans() | st.integers() | st.text(max_size=8)
CODINGS = st.dictionaries(st.sampled_from(["system", "version", "code", "display"]), SCALARS)
JSON = st.recursive(
    SCALARS | CODINGS | st.builds(lambda each: {"coding": each}, st.lists(CODINGS, max_size=3)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
NAMES = st.sampled_from(
    sorted({each.name for one in OPERATIONS for fhir in one.parameters.values() for each in fhir})
)
TYPES = ("String", "Code", "Uri", "Boolean", "Integer", "Coding", "CodeableConcept", "Date")
ENTRIES = st.dictionaries(
    st.sampled_from([f"value{each}" for each in TYPES]), JSON, min_size=1, max_size=2
).flatmap(lambda values: NAMES.map(lambda name: {"name": name, **values}))
RESOURCES = st.builds(
    lambda entries: {"resourceType": "Parameters", "parameter": entries}, st.lists(ENTRIES | JSON, max_size=5)
)
CALLS = st.tuples(st.sampled_from(OPERATIONS), st.sampled_from(["R4", "R5"]), st.booleans())


def call(chosen: tuple[Operation, Fhir, bool], read: Any, sent: Any) -> None:
    operation, fhir, on_instance = chosen
    instance = content(fhir).of(operation.type)[0] if on_instance else None
    refused: TerminologyRefused | None = None
    answer = None
    try:
        inputs = read(operation, sent, fhir, instance=on_instance)
        answer = perform(content(fhir), operation, inputs, instance, timestamp=AT)
    except TerminologyRefused as why:
        refused = why
    if refused is None:
        assert answer is not None
        assert answer["resourceType"] == ("ValueSet" if operation.code == "expand" else "Parameters")
        return
    assert refused.issue in ISSUES
    assert refused.text.endswith(".")
    assert all(where.startswith(("Parameters", "http.")) for where in refused.where)


@settings(max_examples=500, deadline=None)
@given(CALLS, RESOURCES | JSON)
def test_any_resource(chosen: tuple[Operation, Fhir, bool], resource: object) -> None:
    call(chosen, of_resource, resource)


@settings(max_examples=500, deadline=None)
@given(CALLS, st.lists(st.tuples(NAMES | st.text(max_size=5), WORDS | st.text(max_size=8)), max_size=5))
def test_any_url(chosen: tuple[Operation, Fhir, bool], pairs: list[tuple[str, str]]) -> None:
    call(chosen, of_query, pairs)
