"""Who read or wrote patients' data, as AuditEvents (R4 auditevent.html): rendered from the trail when they are read.

Patients are named by the ids of their Patients alone. Each row of the trail is one event, which never changes.
Described in R4; `fhir/dialect.py` says what R5 writes otherwise. Codes as in valuesets.json of the R4 definitions.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from datetime import UTC
from typing import Any, Final

from drainledger.fhir import Renderer
from drainledger.fhir.about import reference
from drainledger.fhir.fragments import encode, words
from drainledger.rest.stored import Position, Stored, Wanted
from drainledger.store.read import Read
from drainledger.store.rows import AuditRow

Json = dict[str, Any]

_ID: Final = re.compile(r"audit-([1-9][0-9]{0,17})")
_BATCH: Final = 200
_TYPE: Final = {
    "system": "http://terminology.hl7.org/CodeSystem/audit-event-type",
    "code": "rest",
    "display": "RESTful Operation",
}
#: action of the trail -> (code of restful-interaction, AuditEvent.action). What was refused is shown by its outcome.
_ACTIONS: Final[Mapping[str, tuple[str | None, str]]] = {
    "read": ("read", "R"),
    "search": ("search", "R"),
    "history": ("history", "R"),
    "trace": (None, "R"),
    "operation": ("operation", "E"),
    "operate": (None, "E"),
    "export": ("operation", "R"),
    "write": ("create", "C"),
}
_BY_METHOD: Final = {"GET": "R", "HEAD": "R"}
_PERSON: Final = {
    "system": "http://terminology.hl7.org/CodeSystem/audit-entity-type",
    "code": "1",
    "display": "Person",
}
_SYSTEM_OBJECT: Final = _PERSON | {"code": "2", "display": "System Object"}
_PATIENT: Final = {
    "system": "http://terminology.hl7.org/CodeSystem/object-role",
    "code": "1",
    "display": "Patient",
}


class AuditEvents:
    """The source of AuditEvents. They are no part of the journal, so a `horizon` says nothing of them: told the newest
    first, nothing comes in after a position."""

    def __init__(self, renderer: Callable[[str], Renderer]) -> None:
        self._renderer = renderer

    def scan(
        self, read: Read, wanted: Wanted, horizon: int, after: Position | None = None
    ) -> Iterator[tuple[Position, Stored]]:
        if "AuditEvent" not in wanted.types:
            return
        renderer = self._renderer(read.tenant)
        for row in _rows(read, None if after is None else after[0]):
            if _is_wanted(row, wanted):
                yield (row.audit_seq, _id(row), ""), audit_event(renderer, row)

    def current(
        self, read: Read, type: str, ids: Collection[str], horizon: int | None = None
    ) -> dict[str, Stored]:
        numbers = {int(match[1]) for id in ids if (match := _ID.fullmatch(id))}
        renderer = self._renderer(read.tenant)
        return {_id(row): audit_event(renderer, row) for row in read.audits_at(numbers)}


def audit_event(renderer: Renderer, row: AuditRow) -> Stored:
    """One row of the trail."""
    return Stored(
        type="AuditEvent",
        id=_id(row),
        version=1,
        updated=row.at,
        body=encode(_body(renderer, row)),
        code=row.action,
        patient=row.patients[0] if len(row.patients) == 1 else None,
    )


def _rows(read: Read, before: int | None) -> Iterator[AuditRow]:
    while rows := read.newest_audits(_BATCH, before=before):
        yield from rows
        before = rows[-1].audit_seq


def _is_wanted(row: AuditRow, wanted: Wanted) -> bool:
    if wanted.ids is not None and _id(row) not in wanted.ids:
        return False
    if wanted.patients is not None and not wanted.patients.intersection(row.patients):
        return False
    if wanted.codes is not None and row.action not in wanted.codes:
        return False
    if wanted.since is not None and row.at <= wanted.since:
        return False
    return wanted.until is None or row.at <= wanted.until


def _id(row: AuditRow) -> str:
    return f"audit-{row.audit_seq}"


def _body(renderer: Renderer, row: AuditRow) -> Json:
    interaction, action = _ACTIONS.get(row.action, (None, _BY_METHOD.get(row.method, "E")))
    written = {
        "resourceType": "AuditEvent",
        "id": _id(row),
        "type": _TYPE,
        "subtype": [] if interaction is None else [_subtype(interaction)],
        "action": action,
        "recorded": row.at.astimezone(UTC).isoformat(),
        "outcome": _outcome(row.outcome),
        "outcomeDesc": row.outcome,
        "agent": [{"who": _caller(renderer, row), "requestor": True}],
        "source": {"observer": reference("Device", renderer.ids.adapter())},
        "entity": [_called(row), *map(_patient, row.patients)],
    }
    return {name: value for name, value in written.items() if value not in ([], "")}


def _subtype(code: str) -> Json:
    return {"system": "http://hl7.org/fhir/restful-interaction", "code": code, "display": code}


def _outcome(told: str) -> str:
    """audit-event-outcome of the status of the answer; what was committed has none, and went well."""
    if not told.isdigit() or int(told) < 400:
        return "0"
    return "4" if int(told) < 500 else "8"


def _caller(renderer: Renderer, row: AuditRow) -> Json:
    """A key or a token, by the name that the trail has for it: no directory of people is held here."""
    return {"identifier": {"system": f"{renderer.base}/sid/caller", "value": words(row.principal)}}


def _called(row: AuditRow) -> Json:
    """The route by its template, never with what stood in it, and the name of the call in the service's log."""
    return {
        "type": _SYSTEM_OBJECT,
        "name": f"{row.method} {row.route}",
        "detail": [{"type": "request", "valueString": row.request_id}],
    }


def _patient(id: str) -> Json:
    return {"what": reference("Patient", id), "type": _PERSON, "role": _PATIENT}
