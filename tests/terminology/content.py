"""The set under test, and the same facts read from the mapping file itself, by no code of the project."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from drainledger.fhir import Fhir, conformance_resources
from drainledger.fhir.terminology import (
    OPERATIONS,
    Content,
    Inputs,
    Operation,
    of_query,
    of_resource,
    perform,
)
from tests.fhir import samples

Json = dict[str, Any]

BASE = samples.BASE
SYSTEM = f"{BASE}/CodeSystem/chest-drain"
AT = "2026-03-02T08:00:00.000+00:00"
CODES = Path(__file__).resolve().parents[2] / "mappings" / "codes.toml"


@cache
def content(fhir: Fhir) -> Content:
    return Content(conformance_resources(samples.mappings().codes, BASE, fhir), fhir)


@cache
def codes() -> dict[str, tuple[str, Json]]:
    """Code -> (kind, its table), as mappings/codes.toml has them."""
    read = tomllib.loads(CODES.read_text("utf-8"))
    return {
        code: (kind.replace("_", "-"), table)
        for kind, section in read.items()
        for code, table in section.items()
    }


def operation(type: str, code: str) -> Operation:
    (found,) = [each for each in OPERATIONS if (each.type, each.code) == (type, code)]
    return found


def inputs(one: Operation, fhir: Fhir, given: Json, instance: str | None = None) -> Inputs:
    """Words as a URL has them; anything else makes it a Parameters resource."""
    if all(isinstance(value, str | list) for value in given.values()):
        pairs = [
            (n, each) for n, value in given.items() for each in ([value] if isinstance(value, str) else value)
        ]
        return of_query(one, pairs, fhir, instance=instance is not None)
    return of_resource(one, as_parameters(given), fhir, instance=instance is not None)


def as_parameters(given: Json) -> Json:
    return {"resourceType": "Parameters", "parameter": [_entry(*each) for each in given.items()]}


def _entry(name: str, value: object) -> Json:
    if isinstance(value, bool):
        return {"name": name, "valueBoolean": value}
    if isinstance(value, int):
        return {"name": name, "valueInteger": value}
    if isinstance(value, dict):
        return {"name": name, "valueCodeableConcept" if "coding" in value else "valueCoding": value}
    return {"name": name, "valueString": value}


def ask(type: str, code: str, fhir: Fhir = "R4", /, instance: str | None = None, **given: object) -> Json:
    """The answer; names with a hyphen are written with two underscores."""
    one = operation(type, code)
    named = {name.replace("__", "-"): value for name, value in given.items()}
    of = None if instance is None else content(fhir).read(type, instance)
    return perform(content(fhir), one, inputs(one, fhir, named, instance), of, timestamp=AT)


def values(answer: Json) -> dict[str, Any]:
    """Name -> value of the plain parameters of an answer."""
    return {
        each["name"]: value
        for each in answer["parameter"]
        for kind, value in each.items()
        if kind.startswith("value")
    }


def groups(answer: Json, name: str) -> list[dict[str, Any]]:
    """The parts of each parameter of this name."""
    return [values({"parameter": each["part"]}) for each in answer["parameter"] if each["name"] == name]
