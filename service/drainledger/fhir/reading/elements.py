"""What becomes of each element of an Observation, so that nothing is lost unseen (R4 and R5 observation.html).

Used: it goes into the record, or the record is checked by it. Quiet: the server's own, or worked out from the code.
Warned: not kept, and told so. Everything else is refused, for it could change what the rest means.
"""

from __future__ import annotations

from typing import Any, Final

from drainledger.fhir.reading.notes import Notes

USED: Final = frozenset(
    {
        *(
            "resourceType",
            "identifier",
            "status",
            "code",
            "subject",
            "focus",
            "encounter",
            "effectiveDateTime",
        ),
        *(
            "effectivePeriod",
            "effectiveInstant",
            "issued",
            "performer",
            "dataAbsentReason",
            "note",
            "bodySite",
        ),
        *(
            "method",
            "device",
            "hasMember",
            "derivedFrom",
            "component",
            "valueQuantity",
            "valueCodeableConcept",
        ),
    }
)
#: http.html#create: the server gives the id and the version; category is worked out from the code.
QUIET: Final = frozenset({"id", "meta", "language", "category"})
WARNED: Final = {
    "text": "The narrative is not kept: what is to be read by people goes in the note.",
    "contained": "Contained resources are not kept: refer to what is meant by an identifier.",
    "extension": "Extensions are not kept.",
    "basedOn": "What this is based on is not kept.",
    "partOf": "What this is part of is not kept.",
    "instantiatesCanonical": "The definition that this follows is not kept.",
    "instantiatesReference": "The definition that this follows is not kept.",
    "triggeredBy": "What triggered this is not kept.",
    "bodyStructure": "The body structure is not kept: the drain's own record says where it lies.",
    "specimen": "The specimen is not kept.",
    "interpretation": "Interpretations are not kept: nothing here judges a value.",
    "referenceRange": "Reference ranges are not kept.",
}
_REFUSED: Final = {
    "modifierExtension": "An extension here may change the meaning of the rest, and it is not understood.",
    "implicitRules": "Rules that change the meaning of the resource are not understood here.",
    "effectiveTiming": "Send the instant at which it was read (effectiveDateTime), a resource for each.",
}
#: Parts of a meta that are the server's, or that say nothing beyond the request.
_OWN_META: Final = frozenset({"id", "versionId", "lastUpdated", "profile", "source"})


def check_elements(notes: Notes, resource: dict[str, Any], path: str) -> None:
    for name in resource:
        if name in USED or name in QUIET:
            continue
        if name in WARNED:
            notes.warn(f"{path}.{name}", WARNED[name])
        elif name in _REFUSED:
            notes.refuse(f"{path}.{name}", "not-supported", _REFUSED[name])
        elif name.startswith("_") and name[1:] in USED | QUIET | WARNED.keys():
            notes.warn(f"{path}.{name[1:]}", "What extends this element is not kept.")
        elif name.startswith("value"):
            notes.refuse(
                f"{path}.value",
                "not-supported",
                "No code here takes a value of this type: a Quantity or a CodeableConcept of the project's own codes.",
            )
        else:
            notes.refuse(path, "structure", "There is an element here that FHIR's Observation does not have.")
    _check_meta(notes, resource, path)


def _check_meta(notes: Notes, resource: dict[str, Any], path: str) -> None:
    meta = resource.get("meta")
    if meta is None:
        return
    if not isinstance(meta, dict):
        notes.refuse(f"{path}.meta", "structure", "This element is an object in FHIR.")
        return
    for name in meta:
        if name not in _OWN_META:
            known = name in ("tag", "security", "extension")
            notes.warn(f"{path}.meta" + (f".{name}" if known else ""), "This part of the meta is not kept.")
