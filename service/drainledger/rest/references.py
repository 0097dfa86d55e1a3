"""References in resources, as `Type/id` by R4's names of the types."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any, Final

from drainledger.fhir.dialect import USE_TYPE
from drainledger.fhir.resource import Fhir

#: Relative, or absolute below any base; a version says nothing here (R4 references.html#literal).
_LITERAL: Final = re.compile(r"(?:.*/)?([A-Z][A-Za-z]+)/([A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]+)?")


def r4_name(fhir: Fhir, name: str) -> str:
    return USE_TYPE["R4"] if name == USE_TYPE[fhir] else name


def literal(fhir: Fhir, text: str) -> str | None:
    """None for what names no resource by type and id."""
    match = _LITERAL.fullmatch(text)
    return None if match is None else f"{r4_name(fhir, match[1])}/{match[2]}"


def referred(fhir: Fhir, values: Iterable[Any]) -> Iterator[str]:
    """What the values of a reference parameter's expression refer to; a CodeableReference by its reference."""
    for value in values:
        while isinstance(value, dict) and isinstance(value.get("reference"), dict):
            value = value["reference"]
        text = value.get("reference") if isinstance(value, dict) else value
        if isinstance(text, str) and (found := literal(fhir, text)) is not None:
            yield found
