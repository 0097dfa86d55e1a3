"""Parameters that come out of an operation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from drainledger.fhir.dialect import Json

#: What every display and text here is written in.
LANGUAGE: Final = "en"
ONE_LANGUAGE: Final = "Displays are in English alone: displayLanguage was not used."


def part(name: str, kind: str, value: Any) -> Json:
    """One named value; `kind` is the type's name as value[x] has it."""
    return {"name": name, f"value{kind}": value}


def parts(name: str, inner: Iterable[Json]) -> Json:
    return {"name": name, "part": list(inner)}


def parameters(found: Iterable[Json | None]) -> Json:
    """The answer as a resource; it says its language, which is the same whatever was asked for."""
    return {
        "resourceType": "Parameters",
        "language": LANGUAGE,
        "parameter": [each for each in found if each is not None],
    }


def coding(system: str, code: str, display: str, version: str | None = None) -> Mapping[str, str]:
    told = {"system": system, "version": version, "code": code, "display": display}
    return {name: value for name, value in told.items() if value is not None}
