"""Identity, status, observer and note of an Observation."""

from __future__ import annotations

from hashlib import sha256
from typing import Any, Final

from drainledger.domain.validation.text import LONGEST_ID
from drainledger.fhir.reading.references import Ref, read_reference
from drainledger.fhir.reading.seen import Seen

#: A device that read, and that no reference names.
UNNAMED: Final = "unnamed device"
_PEOPLE: Final = ("Practitioner", "PractitionerRole")
_STATUSES: Final = {
    "registered": "It has no result yet. Send it when there is one.",
    "amended": "A correction names the record that it corrects: send it to /v1/records, with the whole record as it "
    "should have been.",
    "entered-in-error": "What was entered in error is withdrawn by a retraction: send it to /v1/records, naming the "
    "record.",
    "unknown": "Its status is not known. Send it as final, or as preliminary where a device read it and nobody has "
    "verified it.",
}
_STATUSES["corrected"] = _STATUSES["amended"]
_STATUSES["cancelled"] = _STATUSES["entered-in-error"]


def read_identity(seen: Seen) -> None:
    """The record's id: of the first identifier, system and value, so that the same sent again is the same record."""
    for place, (raw, path) in enumerate(seen.notes.objects(seen.resource, "identifier", seen.path)):
        if place:
            seen.notes.warn(path, "Only the first identifier is used; this one is not kept.")
            continue
        system, value = seen.notes.text(raw, "system", path), seen.notes.text(raw, "value", path)
        seen.places["/id"] = f"{path}.value"
        if value is None:
            seen.notes.refuse(f"{path}.value", "required", "An identifier needs its value.")
        elif system == seen.desk.sid("observation"):
            seen.notes.refuse(
                path,
                "business-rule",
                "This is an identifier that this service gives: what it gave out is on the record already, and taken "
                "in again it would count twice. Give what you read yourself an identifier of your own.",
            )
        else:
            seen.ident = record_id(system, value)


def record_id(system: str | None, value: str) -> str:
    """The id of the record that an identifier names within its source; a long one by its hash."""
    text = value if system is None else f"{system}|{value}"
    return (
        text
        if len(text) <= LONGEST_ID
        else f"sha256:{sha256(text.encode(errors='surrogatepass')).hexdigest()}"
    )


def read_people(seen: Seen) -> None:
    """Status and performer together: only a device's unverified value is preliminary here."""
    status = seen.notes.text(seen.resource, "status", seen.path)
    path = f"{seen.path}.status"
    if status is None:
        if seen.resource.get("status") is None:
            seen.notes.refuse(path, "required", "An Observation has a status: final, or preliminary.")
        return
    if status in _STATUSES:
        seen.notes.refuse(path, "business-rule", _STATUSES[status])
    elif status not in ("final", "preliminary"):
        seen.notes.refuse(
            path, "code-invalid", "FHIR has no such status of an Observation. Send final or preliminary."
        )
    _read_observer(seen, preliminary=status == "preliminary")


def _read_observer(seen: Seen, *, preliminary: bool) -> None:
    for raw, path in seen.notes.objects(seen.resource, "performer", seen.path):
        ref = read_reference(seen.notes, seen.desk, raw, path)
        who = _practitioner(seen, ref)
        if who is None or seen.observer is not None:
            seen.notes.warn(path, "Not kept: the first person with an identifier is who read.")
        else:
            seen.observer = who
            seen.places["/observer"] = path
    if not preliminary:
        return
    if seen.observer is not None:
        seen.notes.refuse(
            f"{seen.path}.status",
            "business-rule",
            "What a person read is final here. Send it when it is; or, where a device read it and nobody has verified "
            "it, without the performer.",
        )
    seen.observer = {"kind": "device", "value": seen.collector or UNNAMED}
    seen.places["/observer"] = f"{seen.path}.status"


def _practitioner(seen: Seen, ref: Ref) -> dict[str, Any] | None:
    if ref.type not in (None, *_PEOPLE):
        return None
    if ref.value is not None:
        known = {} if ref.system is None else {"system": ref.system}
        return {"kind": "practitioner", "value": ref.value, **known}
    if ref.id is not None and ref.type is not None:
        seen.notes.tell(ref.path, "No identifier: who read is kept as this reference says it.")
        return {"kind": "practitioner", "value": f"{ref.type}/{ref.id}"}
    return None


def read_note(seen: Seen) -> None:
    texts = []
    for raw, path in seen.notes.objects(seen.resource, "note", seen.path):
        text = seen.notes.text(raw, "text", path)
        if raw.keys() - {"text", "id"}:
            seen.notes.warn(path, "Of a note only the text is kept.")
        if text is None:
            if raw.get("text") is None:
                seen.notes.refuse(f"{path}.text", "required", "A note needs its text.")
        else:
            texts.append(text)
            seen.places.setdefault("/note", path)
    if texts:
        seen.note = "\n".join(texts)
