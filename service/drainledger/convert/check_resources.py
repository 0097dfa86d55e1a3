"""FHIR resources through fhir.resources (R4B stands for R4: for what is used here they are the same)."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any

from pydantic import BaseModel, ValidationError

from drainledger.convert.settings import Fhir

#: The longest line that is read whole: a Bundle may be one.
RESOURCE_LIMIT = 1 << 28
_PACKAGES = {"R4": "fhir.resources.R4B", "R5": "fhir.resources"}


def check_resources(lines: Iterable[tuple[int, bytes]], fhir: Fhir) -> tuple[int, list[str]]:
    """How many resources there were (the entries of Bundles count too), and every fault as a line for people."""
    checked, faults = 0, []
    for line, document in _documents(list(lines)):
        where = f"line {line}"
        try:
            resource = json.loads(document, parse_float=Decimal)
        except (ValueError, RecursionError) as error:
            faults.append(f"{where}: is not JSON: {error}")
            continue
        checked += 1 + len(_entries(resource))
        faults.extend(f"{where}: {fault}" for fault in _faults(resource, fhir))
    return checked, faults


def _documents(lines: list[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
    """NDJSON line by line; a file whose first line is no JSON by itself is one document."""
    if lines and not _is_json(lines[0][1]):
        yield lines[0][0], b"\n".join(line for _, line in lines)
        return
    yield from lines


def _is_json(text: bytes) -> bool:
    try:
        json.loads(text)
    except (ValueError, RecursionError):
        return False
    return True


def _entries(resource: Any) -> list[Any]:
    entries = resource.get("entry") if isinstance(resource, dict) else None
    return entries if isinstance(entries, list) else []


def _faults(resource: Any, fhir: Fhir) -> Iterator[str]:
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    if not isinstance(kind, str):
        yield "is no FHIR resource: it has no resourceType"
        return
    model = _model(kind, fhir)
    if model is None:
        yield f"{fhir} has no resource of this type"
        return
    try:
        model.model_validate(resource)
    except ValidationError as error:
        for detail in error.errors(include_url=False, include_input=False, include_context=False):
            yield f"{kind}/{resource.get('id', '?')} {_pointer(detail['loc'])}: {detail['msg']}"


def _model(kind: str, fhir: Fhir) -> type[BaseModel] | None:
    """The library's model of a resource type; None where there is none, or where it is only a part of a resource."""
    try:
        model: type[BaseModel] = importlib.import_module(_PACKAGES[fhir]).get_fhir_model_class(kind)
    except (ValueError, KeyError, ImportError):
        return None
    resource = importlib.import_module(f"{_PACKAGES[fhir]}.resource").Resource
    return model if issubclass(model, resource) else None


def _pointer(place: tuple[int | str, ...]) -> str:
    return "".join(f"/{part}" for part in place) or "/"
