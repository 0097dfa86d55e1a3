"""Queries by a test's own predicate."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True)
class Named:
    """A parameter by the name of a root element."""

    name: str
    kind: str = "reference"

    def values(self, resource: Json) -> Sequence[Any]:
        value = resource.get(self.name, [])
        return value if isinstance(value, list) else [value]


@dataclass(frozen=True)
class By:
    parameter: Named
    descending: bool = False


@dataclass(frozen=True)
class Along:
    type: str
    parameter: Named
    target: str | None = None
    iterate: bool = False


@dataclass(frozen=True)
class Said:
    parameter: Named
    query: Asked


@dataclass(frozen=True)
class Asked:
    type: str = "Observation"
    predicate: Callable[[Json], bool] = lambda resource: True
    clauses: Sequence[Any] = ()
    has: Sequence[Said] = ()
    includes: Sequence[Along] = ()
    revincludes: Sequence[Along] = ()
    sort: Sequence[By] = ()
    count: int = 50
    total: str = "none"
    summary: str | None = None
    patients: frozenset[str] | None = None
    codes: frozenset[str] | None = None

    def matches(self, resource: Json) -> bool:
        return self.predicate(resource)

    def wanted_ids(self) -> None:
        return None

    def wanted_patients(self) -> frozenset[str] | None:
        return self.patients

    def wanted_codes(self) -> frozenset[str] | None:
        return self.codes

    def since_updated(self) -> datetime | None:
        return None
