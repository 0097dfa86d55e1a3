"""Generated journals through `convert`, as resources; and the sets that validators are given."""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from drainledger.convert.pipeline import convert
from drainledger.convert.report import Report
from drainledger.convert.settings import BASE, Emit, Fhir, Settings
from drainledger.fhir import conformance_resources
from tests.journals.books import line, mappings
from tests.journals.seeded import journal

RECEIVED = datetime(2026, 12, 1, tzinfo=UTC)
Resource = dict[str, Any]


def lines_of(seed: int, size: int) -> list[bytes]:
    """A generated journal as NDJSON lines, in the order of its arrival."""
    return [line(raw) for raw in journal(seed, size)]


def converted(
    lines: Sequence[bytes],
    *,
    fhir: Fhir = "R4",
    emit: Emit = "resources",
    tenant: str = "t",
    secret: bytes = b"",
) -> bytes:
    """What `drainledger convert` writes for these lines."""
    settings = Settings(
        emit=emit, received_at=RECEIVED, fhir=fhir, tenant=tenant, source="ward", patient_secret=secret
    )
    return b"".join(convert(enumerate(lines, 1), settings, Report(lambda told: None)))


def shuffled(lines: Sequence[bytes], seed: int) -> list[bytes]:
    """The lines in another order, a fifth of them twice."""
    rng = random.Random(seed)
    again = [*lines, *rng.sample(list(lines), len(lines) // 5)]
    rng.shuffle(again)
    return again


def parsed(ndjson: bytes) -> list[Resource]:
    """Resources with exact decimals."""
    return [json.loads(text, parse_float=Decimal, parse_int=Decimal) for text in ndjson.splitlines()]


def text_lines(ndjson: bytes) -> list[str]:
    return ndjson.decode().splitlines()


def write_conformance(folder: Path, fhir: Fhir) -> Path:
    """The project's own conformance resources, a file each."""
    for resource in conformance_resources(mappings().codes, BASE, fhir):
        (folder / f"{resource.type}-{resource.id}.json").write_bytes(resource.body)
    return folder


def coded(resources: Iterable[Resource], system: str, code: str) -> list[Resource]:
    """Observations that carry a code, except those entered in error."""
    return [
        resource
        for resource in resources
        if resource["resourceType"] == "Observation"
        and resource["status"] != "entered-in-error"
        and any(c.get("system") == system and c["code"] == code for c in resource["code"]["coding"])
    ]
