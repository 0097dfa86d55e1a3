"""A profile's snapshot: the official base definition with the differential put on top (R4 profiling.html#snapshot).

The base element lists are those of R4 in data/r4-base.json, which names its source; nothing of the kind is published
where this project can take it for R5, so R5 profiles carry a differential alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from importlib.resources import files

from drainledger.fhir.dialect import Json


@cache
def _base() -> dict[str, list[Json]]:
    text = (files("drainledger.fhir") / "data" / "r4-base.json").read_text("utf-8")
    elements: dict[str, list[Json]] = json.loads(text)["elements"]
    return elements


def snapshot(kind: str, differential: list[Json]) -> list[Json]:
    """The elements of R4 type `kind` as the differential narrows them. Raises KeyError for an element that isn't
    there."""
    elements = [dict(element) for element in _base()[kind]]
    for change in differential:
        place = _place(elements, change["id"])
        elements[place] = _merged(elements[place], change)
    return elements


def _place(elements: list[Json], ident: str) -> int:
    """Where an element stands; makes its slice, or the children of its parent's type, where it isn't there yet."""
    found = _find(elements, ident)
    if found is not None:
        return found
    parent, _, name = ident.rpartition(".")
    if ":" in name:
        _add_slice(elements, f"{parent}.{name.partition(':')[0]}", ident)
    else:
        _add_children(elements, parent)
    found = _find(elements, ident)
    if found is None:
        raise KeyError(ident)
    return found


def _find(elements: list[Json], ident: str) -> int | None:
    return next((place for place, element in enumerate(elements) if element["id"] == ident), None)


def _add_slice(elements: list[Json], sliced: str, ident: str) -> None:
    """A copy of the sliced element and all below it, behind it."""
    family = [
        element for element in elements if element["id"] == sliced or element["id"].startswith(f"{sliced}.")
    ]
    last = _find(elements, family[-1]["id"])
    if last is None:
        raise KeyError(sliced)
    copies = [{**element, "id": ident + element["id"].removeprefix(sliced)} for element in family]
    copies[0].pop("slicing", None)
    elements[last + 1 : last + 1] = copies


def _add_children(elements: list[Json], parent: str) -> None:
    """The children of the one type that an element is narrowed to, constrained in place."""
    place = _find(elements, parent)
    if place is None:
        raise KeyError(parent)
    element = elements[place]
    (kind,) = (each["code"] for each in element["type"])
    elements[place + 1 : place + 1] = list(_children(kind, parent, element["path"]))


def _children(kind: str, ident: str, path: str) -> Iterator[Json]:
    for element in _base()[kind][1:]:
        below = element["path"].removeprefix(kind)
        yield {**element, "id": ident + below, "path": path + below}


def _merged(element: Json, change: Json) -> Json:
    """Constraints add up; everything else replaces."""
    constraints = [*element.get("constraint", ()), *change.get("constraint", ())]
    return {**element, **change, **({"constraint": constraints} if constraints else {})}
