"""What is served of each type, in one table: `metadata` tells it, and tests/web_fhir/test_capability.py holds the
routes to it, both ways.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from drainledger.fhir.dialect import USE_TYPE
from drainledger.fhir.resource import Fhir
from drainledger.fhir.search.parameters import parameters_of, types_of

#: Of types of which there are instances: what they say can be read as it is and as it was.
_READ: Final = ("read", "vread", "history-instance", "history-type", "search-type")
#: Own SearchParameters, by type; see search.py.
OWN: Final[Mapping[str, frozenset[str]]] = {
    "Observation": frozenset({"period-end"}),
    "Device": frozenset({"lot"}),
}
_OPERATION: Final = "http://hl7.org/fhir/OperationDefinition"
_BULK: Final = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition"


class Served(Struct, frozen=True, kw_only=True):
    """One type. `search` has the types of its parameters by name; `includes` and `revincludes`, as `Type:parameter`,
    what comes along; `operations` the canonical of each by its code; `profiles` the ids of the project's own.
    `conditional_read` is of conditional-read-status."""

    type: str
    interactions: tuple[str, ...]
    search: Mapping[str, str] = {}
    includes: tuple[str, ...] = ()
    revincludes: tuple[str, ...] = ()
    operations: Mapping[str, str] = {}
    profiles: tuple[str, ...] = ()
    versioning: str = "versioned"
    conditional_read: str = "full-support"
    conditional_create: bool = False
    documentation: str = ""


#: Of the whole system; to validate is for any type that FHIR knows.
INTERACTIONS: Final = ("transaction", "batch")
OPERATIONS: Final[Mapping[str, str]] = {
    "export": f"{_BULK}/export",
    "validate": f"{_OPERATION}/Resource-validate",
}


def served(fhir: Fhir) -> list[Served]:
    """By type, as the version calls them."""
    found = [*(_searched(fhir, each) for each in _instances(fhir)), _GROUP, *_canonicals()]
    return sorted(found, key=lambda each: each.type)


def _searched(fhir: Fhir, each: Served) -> Served:
    """With all that its instances are searched by. `_revinclude` is told where a parameter names the type."""
    known = parameters_of(fhir, each.type)
    return replace(
        each,
        search={name: parameter.kind for name, parameter in known.items()},
        includes=("*", *includes) if (includes := tuple(_references(fhir, each.type))) else (),
        revincludes=tuple(
            reference
            for type_ in types_of(fhir)
            for reference, targets in _references(fhir, type_).items()
            if each.type in targets
        ),
    )


def _references(fhir: Fhir, type: str) -> dict[str, tuple[str, ...]]:
    """`Type:parameter` -> what it refers to; a parameter that refers to anything, to each type."""
    return {
        f"{type}:{name}": parameter.targets or tuple(types_of(fhir))
        for name, parameter in parameters_of(fhir, type).items()
        if parameter.kind == "reference"
    }


def _instances(fhir: Fhir) -> list[Served]:
    return [
        _read_only("AuditEvent", "Who read or wrote what. Needs the scope operate."),
        _read_only("DetectedIssue", "What was found of readings."),
        _read_only("Device", "Drains, collectors, chambers, and the adapter.", profiles=("drain-collector",)),
        _read_only("DeviceMetric", "Channels that are read."),
        _read_only(USE_TYPE[fhir], "When what was in place."),
        Served(
            type="Observation",
            interactions=(*_READ, "create"),
            operations={"lastn": f"{_OPERATION}/Observation-lastn"},
            profiles=("drain-interval-output", "drain-chamber-level"),
            conditional_create=True,
            documentation="Readings, and what follows from them. What was read is created here; what is computed is "
            "computed here, and refused. Corrections and retractions are sent to /v1/records.",
        ),
        _read_only("Patient", "The identifier alone.", operations={"export": f"{_BULK}/patient-export"}),
        _read_only("Provenance", "Where each version comes from."),
    ]


def _read_only(
    type: str,
    documentation: str,
    *,
    profiles: tuple[str, ...] = (),
    operations: Mapping[str, str] | None = None,
) -> Served:
    return Served(
        type=type,
        interactions=_READ,
        profiles=profiles,
        operations=operations or {},
        documentation=documentation,
    )


_GROUP: Final = Served(
    type="Group",
    interactions=("read", "search-type"),
    search={"_id": "token", "identifier": "token"},
    operations={"export": f"{_BULK}/group-export"},
    versioning="no-version",
    conditional_read="not-supported",
    documentation="Wards, with their patients.",
)


def _canonicals() -> list[Served]:
    # Terminology is made over the conformance set, of which this is a part.
    from drainledger.fhir.terminology.content import TYPES
    from drainledger.fhir.terminology.defined import OPERATIONS as DEFINED
    from drainledger.fhir.terminology.searching import PARAMETERS

    return [
        Served(
            type=type_,
            interactions=("read", "search-type"),
            search={name: parameter.kind for name, parameter in PARAMETERS[type_].items()},
            operations={each.code: each.definition for each in DEFINED if each.type == type_},
            versioning="no-version",
            conditional_read="not-match",
            documentation="The service's own content, which follows from its mappings and its release.",
        )
        for type_ in TYPES
    ]
