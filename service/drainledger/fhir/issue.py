"""DetectedIssue: a finding that somebody should see (R4 detectedissue.html). Never a severity: its codes claim injury.

`detail` is the finding's sentence; mitigation is for people. `implicated` is what the finding's own record says that is
in question, and the device; `evidence` what else the finding rests on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drainledger.domain.entries import Finding, NodeEntry
from drainledger.fhir.about import DrainTexts, patient_reference, reference
from drainledger.fhir.codes import Vocabulary
from drainledger.fhir.device import identifiers, resource
from drainledger.fhir.fragments import words
from drainledger.fhir.ground import observation_ids
from drainledger.fhir.ids import join, part_text
from drainledger.fhir.kit import Kit
from drainledger.fhir.resource import Resource
from drainledger.fhir.sheet import Sheet

#: Findings about the tube, what comes out of it or the charting of it; the others are about the unit.
_ABOUT_DRAIN = frozenset(
    {
        "air-leak-prolonged",
        "appearance-changed",
        "charted-twice",
        "daily-output",
        "drain-removed",
        "hourly-output",
        "hourly-output-per-weight",
        "milked-while-clamped",
        "output-at-once",
        "output-stopped-abruptly",
        "output-while-clamped",
        "period-overlaps",
        "reading-overdue",
        "reads-otherwise",
        "still-clamped",
        "unit-change-not-charted",
        "weight-unlikely",
    }
)
#: Findings about the unit that the record names, in place or not.
_ABOUT_NAMED_UNIT = frozenset(
    {"chamber-not-stated", "chamber-occupied", "collector-not-in-place", "no-such-chamber"}
)


def implicated(sheet: Sheet, entry: NodeEntry, finding: Finding) -> list[dict[str, Any]]:
    """What the record itself says that is in question, and the device."""
    written = {each.id for each in sheet.resources if each.type == "Observation"}
    found = []
    for ground in finding.grounds:
        if ground.owner == entry.key:
            there = [ident for ident in observation_ids(sheet.kit, ground) if ident in written]
            found += there[:1]
    return [*(reference("Observation", ident) for ident in found), _device(sheet, entry, finding.code)]


def _device(sheet: Sheet, entry: NodeEntry, code: str) -> dict[str, Any]:
    connection = entry.connection
    collector = None if connection is None else connection.collector
    if code in _ABOUT_NAMED_UNIT:
        collector = entry.record.collector or collector
    if code in _ABOUT_DRAIN or collector is None:
        return reference("Device", sheet.texts.device)
    return reference("Device", sheet.kit.ids.collector(collector))


def evidence(kit: Kit, entry: NodeEntry, finding: Finding) -> list[dict[str, Any]]:
    """What other records say that the finding rests on."""
    others = [ground for ground in finding.grounds if ground.owner != entry.key]
    found = [ident for ground in others for ident in observation_ids(kit, ground)]
    return [{"detail": [reference("Observation", ident) for ident in found]}] if found else []


def detected_issue(
    kit: Kit,
    texts: DrainTexts,
    finding: Finding,
    *,
    uuid: str,
    value: str,
    status: str,
    number: int = 1,
    about: Sequence[dict[str, Any]] = (),
    seen_in: Sequence[dict[str, Any]] = (),
) -> Resource:
    """`uuid` and `value` name its owner; the finding's code makes the part, with a number from the second of a code
    on. About nothing else: about the drain."""
    part = finding.code if number == 1 else f"{finding.code}.{number}"
    described: dict[str, Any] = {
        "resourceType": "DetectedIssue",
        "id": join(uuid, part),
        "identifier": identifiers(kit, "detected-issue", f"{value}.{part_text(part)}"),
        "status": status,
        "code": _code(kit.vocabulary, finding.code),
        "patient": patient_reference(kit.ids, texts.drain.patient),
        "identifiedDateTime": texts.times(finding.at),
        "author": kit.adapter,
        "implicated": list(about) or [reference("Device", texts.device)],
        "evidence": list(seen_in),
        "detail": words(finding.text),
    }
    written = {name: content for name, content in described.items() if content not in ([], "")}
    return resource(kit, written, finding.owner, finding.code)


def _code(vocabulary: Vocabulary, code: str) -> dict[str, Any]:
    return vocabulary.concept_or_text(code, code.replace("-", " "))
