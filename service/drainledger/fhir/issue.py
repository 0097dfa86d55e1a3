"""DetectedIssue: a finding that somebody should see (R4 detectedissue.html). Never a severity: its codes claim injury.

`detail` holds numbers alone; mitigation is for people.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drainledger.domain.entries import Finding, NodeEntry
from drainledger.fhir.about import DrainTexts, patient_reference, reference
from drainledger.fhir.codes import Vocabulary
from drainledger.fhir.device import identifiers, resource
from drainledger.fhir.ids import join, part_text
from drainledger.fhir.kit import Kit
from drainledger.fhir.output import level_part
from drainledger.fhir.resource import Resource


def implicated(kit: Kit, entry: NodeEntry) -> list[dict[str, Any]]:
    """The Observations that an entry's findings speak of, and the unit."""
    found = []
    interval = entry.interval
    levels = [(mark.owner, mark.part) for mark in entry.levels]
    if interval is not None and interval.levels:
        levels = [(level.owner, level.part) for level in interval.levels]
    if "chamber-level" in kit.templates:
        found = [
            reference("Observation", kit.ids.of(owner, f"{level_part(part)}chamber-level"))
            for owner, part in levels
        ]
    if entry.connection is not None:
        found.append(reference("Device", kit.ids.collector(entry.connection.collector)))
    return found


def evidence(kit: Kit, entry: NodeEntry) -> list[dict[str, Any]]:
    """What was worked out where the finding was made: the interval that ends there."""
    if entry.interval is None or "interval-output" not in kit.templates:
        return []
    part = f"{entry.interval.part}interval-output"
    return [{"detail": [reference("Observation", kit.ids.of(entry.interval.owner, part))]}]


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
        "detail": "; ".join(f"{name} {number:f}" for name, number in finding.detail),
    }
    written = {name: content for name, content in described.items() if content not in ([], "")}
    return resource(kit, written, finding.owner, finding.code)


def _code(vocabulary: Vocabulary, code: str) -> dict[str, Any]:
    return vocabulary.concept_or_text(code, code.replace("-", " "))
