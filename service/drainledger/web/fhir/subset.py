"""Part of a resource: `_summary` and `_elements` (R4 search.html#summary, #elements)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

from msgspec import Struct
from starlette.requests import Request

from drainledger.fhir.resource import Fhir
from drainledger.web.fhir.elements import ALWAYS, KEPT, SUMMARY
from drainledger.web.fhir.formats import once
from drainledger.web.fhir.outcome import FhirRefusal

Json = dict[str, Any]

#: Marks a resource that is not whole: it must not be written back (R4 resource.html#Meta, 'tag').
SUBSETTED: Final = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
    "display": "subsetted",
}
SUMMARIES: Final = ("true", "text", "data", "count", "false")
_NAME: Final = re.compile(r"([A-Z][A-Za-z]*\.)?[a-z][A-Za-z0-9]{0,63}")
_MOST_ELEMENTS: Final = 100


class Part(Struct, frozen=True):
    """Which part of resources the caller would have; both None: all of each."""

    summary: str | None = None
    elements: tuple[str, ...] | None = None

    @property
    def is_whole(self) -> bool:
        return self.summary in (None, "false") and self.elements is None


def part_asked(request: Request) -> Part:
    """From the URL. Raises FhirRefusal `bad-parameter`."""
    return part_of(once(request, "_summary"), once(request, "_elements"))


def part_of(summary: str | None, elements: str | None) -> Part:
    """From the values of `_summary` and `_elements`. Raises FhirRefusal `bad-parameter`."""
    if summary is not None and summary not in SUMMARIES:
        raise FhirRefusal("bad-parameter", f"Write one of {', '.join(SUMMARIES)}.", parameter="_summary")
    if elements is None:
        return Part(summary)
    if summary not in (None, "false"):
        raise FhirRefusal("bad-parameter", "Give _elements or _summary, not both.", parameter="_elements")
    names = tuple(name.strip() for name in elements.split(","))
    if len(names) > _MOST_ELEMENTS or not all(_NAME.fullmatch(name) for name in names):
        raise FhirRefusal(
            "bad-parameter",
            f"Write names of elements at the root of a resource with commas between, at most {_MOST_ELEMENTS}: "
            "_elements=status,code,value.",
            parameter="_elements",
        )
    return Part(elements=names)


def subset(resource: Json, fhir: Fhir, *, summary: str | None, elements: Sequence[str] | None) -> Json:
    """The part of a resource, tagged as not whole; the resource itself where all of it is asked for.

    Mandatory elements and modifiers stay, so that what is left is valid and means the same. `elements` are names at the
    root, those of several types perhaps behind `Type.`, a choice by its name without the type (`value`).
    """
    type_ = resource["resourceType"]
    kept = ALWAYS | KEPT[fhir].get(type_, frozenset())
    if elements is not None:
        wanted = {name for each in elements if (name := _at_root(each, type_)) is not None}
        part = {name: value for name, value in resource.items() if _is_among(name, kept, wanted)}
    elif summary == "true":
        allowed = kept | SUMMARY[fhir].get(type_, frozenset(resource))
        part = {name: value for name, value in resource.items() if name.lstrip("_") in allowed}
    elif summary == "text":
        part = {name: value for name, value in resource.items() if name.lstrip("_") in kept | {"text"}}
    elif summary == "data":
        part = {name: value for name, value in resource.items() if name != "text"}
    else:
        return resource
    return tagged(part)


def tagged(resource: Json) -> Json:
    """The same with the tag SUBSETTED, meta in its place behind the id."""
    meta = resource.get("meta", {})
    marked = {**meta, "tag": [*meta.get("tag", ()), SUBSETTED]}
    first: Json = {name: resource[name] for name in ("resourceType", "id") if name in resource}
    return {**first, "meta": marked, **{name: value for name, value in resource.items() if name != "meta"}}


def _at_root(name: str, type: str) -> str | None:
    of, dot, element = name.rpartition(".")
    return element if not dot or of == type else None


def _is_among(name: str, kept: frozenset[str], wanted: set[str]) -> bool:
    plain = name.lstrip("_")
    if plain in kept or plain in wanted:
        return True
    # value[x] is asked for as `value`: what follows is a type's name, and begins large.
    return any(
        plain.startswith(each) and plain[len(each) : len(each) + 1].isupper()
        for each in wanted
        if each in _CHOICES
    )


_CHOICES: Final = frozenset(
    {"value", "effective", "identified", "occurred", "timing", "deceased", "multipleBirth"}
)
