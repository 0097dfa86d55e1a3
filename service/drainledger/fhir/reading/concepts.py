"""CodeableConcepts: which of the project's own codes one holds."""

from __future__ import annotations

from typing import Any, Final

from drainledger.fhir.codes import LOINC
from drainledger.fhir.reading.desk import Desk
from drainledger.fhir.reading.notes import Notes

#: The standard codes that say by themselves what is meant (mappings/codes.toml tells where each was verified).
OUTPUT: Final = "9129-8"
DRAIN_NUMBER: Final = "81664-5"
_ALONE: Final = {OUTPUT: "interval-output", DRAIN_NUMBER: "drain-number"}
DATA_ABSENT: Final = "http://terminology.hl7.org/CodeSystem/data-absent-reason"


def codings(notes: Notes, concept: dict[str, Any], path: str, system: str) -> list[str]:
    """The codes of one system in a concept, each once."""
    found = []
    for coding, here in notes.objects(concept, "coding", path):
        code = notes.text(coding, "code", here)
        if notes.text(coding, "system", here) == system and code is not None and code not in found:
            found.append(code)
    return found


def local_code(notes: Notes, desk: Desk, concept: dict[str, Any], path: str) -> str | None:
    """The one code of the project's that a concept holds, or stands for; None with the reason noted."""
    local = codings(notes, concept, path, desk.vocabulary.system)
    standing_for = [_ALONE[code] for code in codings(notes, concept, path, LOINC) if code in _ALONE]
    found = {*local, *standing_for}
    if len(found) > 1:
        notes.refuse(
            path,
            "conflict",
            "The codes here say different things. LOINC 9129-8 is an amount that came out, and goes with "
            "interval-output alone; a level, a rate or a total is none. Send one code for what was read.",
        )
    elif not found:
        notes.refuse(
            path,
            "not-supported",
            f"No code here is known. Use one of {desk.vocabulary.system}, or LOINC 9129-8 for an amount.",
        )
    else:
        code = found.pop()
        if code in desk.vocabulary.codes:
            return code
        notes.refuse(path, "code-invalid", f"{desk.vocabulary.system} has no such code.")
    return None


def read_word(notes: Notes, desk: Desk, concept: dict[str, Any], path: str, kind: str) -> str | None:
    """The contract's word that a concept holds by a code `<kind>-<word>`; None with the reason noted."""
    found = codings(notes, concept, path, desk.vocabulary.system)
    start = f"{kind}-"
    known = [code for code in desk.vocabulary.codes if code.startswith(start)]
    if len(found) != 1 or found[0] not in known:
        notes.refuse(
            path,
            "code-invalid",
            f"One code of {desk.vocabulary.system} is needed here: {', '.join(known)}.",
        )
        return None
    display = desk.vocabulary.codes[found[0]].display
    if concept.get("text") not in (None, display):
        notes.warn(f"{path}.text", "The text beside the code is not kept: put it in the note.")
    return found[0].removeprefix(start)
