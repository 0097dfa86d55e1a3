"""Answers of searches as Bundles (R4 bundle.html#searchset)."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final, Literal, TypeAlias

from drainledger.fhir.dialect import USE_TYPE
from drainledger.fhir.resource import Fhir
from drainledger.rest.stored import Stored

Json: TypeAlias = dict[str, Any]
Mode: TypeAlias = Literal["match", "include", "outcome"]

#: The order in which links are told.
_RELATIONS: Final = ("self", "first", "next")


def searchset(
    entries: Iterable[Json], *, at: datetime, links: Mapping[str, str], total: int | None = None
) -> Json:
    """A Bundle of what `entry` and `told` made. `links` by relation; `total` counts the matches alone."""
    written: Json = {
        "resourceType": "Bundle",
        "type": "searchset",
        "timestamp": at.astimezone(UTC).isoformat(),
    }
    if total is not None:
        written["total"] = total
    written["link"] = [
        {"relation": relation, "url": links[relation]} for relation in _RELATIONS if relation in links
    ]
    listed = list(entries)
    return written | ({"entry": listed} if listed else {})


def resource_entries(
    found: Sequence[Stored], mode: Mode, *, base: str, fhir: Fhir, shown: Callable[[Json], Json]
) -> list[Json]:
    """`shown` makes what is shown of a resource of it; `base` has no slash at its end."""
    return [
        {
            "fullUrl": f"{base}/{USE_TYPE[fhir] if each.type == USE_TYPE['R4'] else each.type}/{each.id}",
            "resource": shown(each.resource(fhir)),
            "search": {"mode": mode},
        }
        for each in found
    ]


def told(outcome: Json) -> Json:
    """What the service has to say of the search itself."""
    return {"resource": outcome, "search": {"mode": "outcome"}}
