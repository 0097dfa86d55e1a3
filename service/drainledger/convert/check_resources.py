"""FHIR resources through fhir.resources (R4B stands for R4: for what is used here they are the same)."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any, NamedTuple

from pydantic import BaseModel, ValidationError

from drainledger.convert.settings import Fhir

#: The longest line that is read whole: a Bundle may be one.
RESOURCE_LIMIT = 1 << 28
_PACKAGES = {"R4": "fhir.resources.R4B", "R5": "fhir.resources"}


#: What the library does not look at; said with every result, so that "0 faults" is not taken for more than it is.
NOT_CHECKED = (
    "Not checked: invariants, codes against their value sets, profiles, and whether references lead anywhere."
)


class Checked(NamedTuple):
    """How many resources a document held (the entries of a Bundle count too), and its faults as lines for people."""

    resources: int
    faults: list[str]


def check_resources(lines: Iterable[tuple[int, bytes]], fhir: Fhir) -> Iterator[Checked]:
    """Line by line; a file that is one JSON document over many lines is taken whole."""
    for line, document in _documents(iter(lines)):
        where = f"line {line}"
        try:
            resource = json.loads(document, parse_float=Decimal)
        except (ValueError, RecursionError) as error:
            yield Checked(0, [f"{where}: is not JSON: {_reason(error)}"])
            continue
        faults = [f"{where}: {fault}" for fault in _faults(resource, fhir)]
        yield Checked(1 + len(_entries(resource)), faults)


def _reason(error: ValueError | RecursionError) -> str:
    """Without the place in a document of many lines joined, which is not that of the file."""
    return error.msg if isinstance(error, json.JSONDecodeError) else str(error)


def _documents(lines: Iterator[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
    """The lines, unless the first is no JSON by itself and no line is a resource: then they are one document."""
    first = next(lines, None)
    if first is None:
        return
    if _is_json(first[1]):
        yield first
    else:
        yield from _one_or_many(first, lines)
    yield from lines


def _one_or_many(first: tuple[int, bytes], lines: Iterator[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
    """What a file holds of which the first line is no JSON, as far as it had to be read to know."""
    read, size = [first], len(first[1])
    for line in lines:
        read.append(line)
        size += len(line[1])
        if size > RESOURCE_LIMIT:
            break  # too long for one document
    whole = b"\n".join(text for _, text in read)
    if size <= RESOURCE_LIMIT and _is_json(whole):
        yield first[0], whole
    elif size > RESOURCE_LIMIT or any(_is_resource(text) for _, text in read):
        yield from read
    else:
        yield _place_of_fault(read, whole), whole


def _place_of_fault(read: list[tuple[int, bytes]], whole: bytes) -> int:
    """The line of the file where a document of many lines ceases to be JSON."""
    try:
        json.loads(whole)
    except json.JSONDecodeError as error:
        return read[min(error.lineno, len(read)) - 1][0]
    except (ValueError, RecursionError):
        pass
    return read[0][0]


def _is_json(text: bytes) -> bool:
    return _decoded(text) is not _NOT_JSON


def _is_resource(text: bytes) -> bool:
    found = _decoded(text) if text.lstrip().startswith(b"{") else _NOT_JSON
    return isinstance(found, dict) and "resourceType" in found


_NOT_JSON = object()


def _decoded(text: bytes) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return _NOT_JSON


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
