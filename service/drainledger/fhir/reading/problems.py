"""What the contract says of a record, told of the resource that it came from: the same sentences, its own places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from drainledger.domain.problems import Problem
from drainledger.fhir.reading.notes import Fault, Severity
from drainledger.fhir.reading.seen import expression_of

#: issue-type (R4 valueset-issue-type.html) of a problem's code; `value` for the others.
_TYPES: Final = {
    "missing-field": "required",
    "missing-unit": "required",
    "no-measurement": "required",
    "wrong-type": "structure",
    "unknown-word": "code-invalid",
    "unknown-unit": "code-invalid",
    "ambiguous-unit": "code-invalid",
    "wrong-dimension": "code-invalid",
    "too-long": "too-long",
    "too-many": "too-long",
    "conflict": "conflict",
    "future-time": "business-rule",
    "suction-sign": "business-rule",
    "two-amounts": "business-rule",
    "level-and-not-read": "business-rule",
    "gravity-with-pressure": "business-rule",
    "field-not-for-event": "business-rule",
}


def as_faults(
    problems: Iterable[Problem], places: Mapping[str, str], path: str, severity: Severity = "error"
) -> list[Fault]:
    """Each with the expression of what it is about; `path` is that of the whole resource."""
    return [
        Fault(severity, _TYPES.get(one.code, "value"), expression_of(places, one.pointer, path), one.text)
        for one in problems
        if one.code != "ignored-field"
    ]
