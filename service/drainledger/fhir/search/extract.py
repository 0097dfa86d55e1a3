"""The values that a search parameter's expression gives on a resource: the few forms of FHIRPath that those have.

    Observation.code | Observation.component.code        what either gives
    (Observation.value as Quantity)                      one type of a choice; R5: .ofType(Quantity)
    Observation.subject.where(resolve() is Patient)      references to a Patient, told by the reference itself

Whether a value is there is enough of them: `null` is never in a resource.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Final

Json = dict[str, Any]
Extract = Callable[[Json], list[Any]]
_Step = Callable[[list[Any]], list[Any]]

_CAST: Final = re.compile(
    r"\(?(?P<path>[A-Za-z.]+)(?: as |\.ofType\()(?P<type>[A-Za-z]+)\)(?P<more>(?:\.[a-zA-Z]+)*)"
)
_RESOLVED: Final = re.compile(r"(?P<path>[A-Za-z.]+)\.where\(resolve\(\) is (?P<type>[A-Za-z]+)\)")
_PATH: Final = re.compile(r"[A-Za-z]+(?:\.[A-Za-z]+)*")
#: Elements of several types that what is served has: their names end in the type.
_CHOICES: Final = {
    "effective": ("DateTime", "Period", "Instant"),
    "value": ("Quantity", "CodeableConcept", "String", "Period", "DateTime"),
    "identified": ("DateTime", "Period"),
    "occurred": ("DateTime", "Period"),
}


@cache
def compiled(expression: str) -> Extract:
    """Raises ValueError for an expression in another form."""
    parts = [_part(part.strip()) for part in expression.split("|")]

    def values(resource: Json) -> list[Any]:
        return [value for part in parts for value in part(resource)]

    return parts[0] if len(parts) == 1 else values


def _part(text: str) -> Extract:
    if match := _CAST.fullmatch(text):
        *path, last = match["path"].split(".")[1:]
        typed = last + match["type"][0].upper() + match["type"][1:]
        return _along([*map(_element, path), _named(typed), *map(_element, match["more"].split(".")[1:])])
    if match := _RESOLVED.fullmatch(text):
        path = match["path"].split(".")[1:]
        return _along([*map(_element, path), _of_type(match["type"])])
    if _PATH.fullmatch(text):
        return _along([_element(name) for name in text.split(".")[1:]])
    raise ValueError(text)


def _along(steps: Sequence[_Step]) -> Extract:
    def values(resource: Json) -> list[Any]:
        found: list[Any] = [resource]
        for step in steps:
            found = step(found)
            if not found:
                break
        return found

    return values


def _element(name: str) -> _Step:
    named = _named(name)
    if name not in _CHOICES:
        return named
    typed = [_named(name + type_) for type_ in _CHOICES[name]]
    return lambda found: [value for step in typed for value in step(found)]


def _named(name: str) -> _Step:
    def step(found: list[Any]) -> list[Any]:
        values: list[Any] = []
        for each in found:
            value = each.get(name) if isinstance(each, dict) else None
            if isinstance(value, list):
                values += value
            elif value is not None:
                values.append(value)
        return values

    return step


def _of_type(type_: str) -> _Step:
    begins = f"{type_}/"

    def is_one(value: Any) -> bool:
        reference = value.get("reference", "") if isinstance(value, dict) else ""
        return isinstance(reference, str) and (reference.startswith(begins) or f"/{begins}" in reference)

    return lambda found: [value for value in found if is_one(value)]
