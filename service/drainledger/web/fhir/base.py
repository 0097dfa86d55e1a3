"""Which FHIR version is spoken, under which URL, and what types are called in it."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import Depends
from starlette.requests import Request

from drainledger.fhir.dialect import USE_TYPE
from drainledger.fhir.resource import Fhir
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.service import origin_of, service_of

__all__ = [
    "TYPES",
    "Dialect",
    "dialect_of",
    "fhir_base",
    "own_url",
    "r4_type",
    "served_type",
    "service_of",
    "type_name",
]

#: Types of which there are instances, by R4's names.
TYPES: Final = (
    "AuditEvent",
    "DetectedIssue",
    "Device",
    "DeviceMetric",
    "DeviceUseStatement",
    "Observation",
    "Patient",
    "Provenance",
)
_PREFIX: Final = "/fhir/"


def dialect_of(request: Request) -> Fhir:
    """By the path; R4 where it names neither."""
    return "R5" if f"{request.scope['path']}/".startswith(f"{_PREFIX}R5/") else "R4"


Dialect = Annotated[Fhir, Depends(dialect_of)]


def fhir_base(request: Request) -> str:
    """The absolute URL that the caller called this version by, without a slash at its end."""
    return f"{origin_of(request)}{_PREFIX}{dialect_of(request)}"


def own_url(request: Request) -> str:
    """The absolute URL of this call, without its query."""
    return f"{origin_of(request)}{request.url.path}"


def type_name(fhir: Fhir, r4: str) -> str:
    """What the version calls a type."""
    return USE_TYPE[fhir] if r4 == USE_TYPE["R4"] else r4


def r4_type(fhir: Fhir, name: str) -> str | None:
    """R4's name of a type that the version knows and of which there are instances here; None for others."""
    return next((each for each in TYPES if type_name(fhir, each) == name), None)


def served_type(request: Request, type: str) -> str:
    """R4's name of the type in the path. Raises FhirRefusal `not-found`."""
    fhir = dialect_of(request)
    found = r4_type(fhir, type)
    if found is None:
        known = ", ".join(type_name(fhir, each) for each in TYPES)
        raise FhirRefusal(
            "not-found",
            f"There are no resources of this type here. There are: {known}. See metadata for all there is.",
            issue="not-supported",
        )
    return found
