"""What is answered, through the validators of tests/harness: R4 by all of them, R5 by fhir.resources."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from tests.harness.models import Release, check_models
from tests.harness.node import validate
from tests.harness.problem import Problem

#: Answers are part of what the service holds: what they refer to lies outside of them.
_OUTSIDE = (
    "Patient/*",
    "Device/*",
    "DeviceMetric/*",
    "DeviceUseStatement/*",
    "Observation/*",
    "DetectedIssue/*",
    "Provenance/*",
)


def problems(bodies: Iterable[bytes], fhir: Release, conformance_dir: Path) -> list[Problem]:
    """What is wrong with these resources, each on one line of JSON."""
    lines = [body.replace(b"\n", b" ") for body in bodies]
    assert lines, "nothing to validate"
    found = check_models(lines, fhir)
    if fhir == "R4":
        found += validate(lines, conformance_dir, _OUTSIDE, whole_set=False)
    return [each for each in found if each.severity == "error"]
