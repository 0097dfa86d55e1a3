"""Wards as Groups of the Patients whose drains are or were there (R4 group.html); made when they are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from msgspec import Struct

from drainledger.domain.collectors import Rules
from drainledger.fhir import Renderer
from drainledger.fhir.about import reference
from drainledger.fhir.resource import Fhir
from drainledger.intake.directory import JournalDirectory
from drainledger.store.read import Read

Json = dict[str, Any]

_AT_ONCE: Final = 500
_WITHDRAWN: Final = "entered-in-error"


class Ward(Struct, frozen=True):
    """A ward by the name that drains' records give it, and the ids of its Patients."""

    id: str
    name: str
    patients: tuple[str, ...]


def wards(read: Read, renderer: Renderer, rules: Rules) -> list[Ward]:
    """By name. A drain counts as its record was last corrected; one that was withdrawn counts no more."""
    found: dict[str, set[str]] = {}
    directory = JournalDirectory(read, renderer, rules)
    for drain in _drains(read):
        record = directory.drain(drain)
        if record is None or not record.ward:
            continue
        uuid = renderer.ids.drain(drain)
        row = read.current([uuid]).get(uuid)
        if row is None or all(part.status == _WITHDRAWN for part in row.parts.values()):
            continue
        found.setdefault(record.ward, set()).add(directory.patient(record))
    return [Ward(ward_id(renderer, name), name, tuple(sorted(found[name]))) for name in sorted(found)]


def ward_id(renderer: Renderer, name: str) -> str:
    """UUIDv5 of the name, within the tenant."""
    return renderer.ids.within(renderer.ids.adapter(), "ward", name)


def ward_system(renderer: Renderer) -> str:
    """What wards' names are identifiers of."""
    return f"{renderer.base}/sid/ward"


def group(ward: Ward, renderer: Renderer, fhir: Fhir) -> Json:
    """The ward as a Group of people; R5 has `membership` where R4 has `actual` (R5 group.html)."""
    kind: Json = {"actual": True} if fhir == "R4" else {"membership": "enumerated"}
    return {
        "resourceType": "Group",
        "id": ward.id,
        "identifier": [{"system": ward_system(renderer), "value": ward.name}],
        "active": True,
        "type": "person",
        **kind,
        "name": ward.name,
        "quantity": len(ward.patients),
        "member": [{"entity": reference("Patient", each)} for each in ward.patients],
    }


def _drains(read: Read) -> Iterator[str]:
    after = ""
    while names := read.drains(after, _AT_ONCE):
        yield from names
        after = names[-1]
