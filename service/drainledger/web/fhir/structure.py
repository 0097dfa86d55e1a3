"""Whether a resource is built as FHIR says: by the models of `fhir.resources`, which are loaded when first asked for.

R4B stands for R4: for what is used here they are the same. The library's own messages may show what was sent, so what
is wrong is told in words of this service.
"""

from __future__ import annotations

import importlib
from functools import lru_cache
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from drainledger.fhir.resource import Fhir
from drainledger.web.fhir.outcome import Issue

NOT_CHECKED: Final = (
    "Not checked: invariants, codes against their value sets, profiles, and whether references lead anywhere."
)
_PACKAGES: Final = {"R4": "fhir.resources.R4B", "R5": "fhir.resources"}
_MOST: Final = 50
_CHOICES: Final = ("value", "effective")


@lru_cache(maxsize=512)
def model_of(kind: str, fhir: Fhir) -> type[BaseModel] | None:
    """The model of a type of resource; None where the version has none."""
    try:
        model: type[BaseModel] = importlib.import_module(_PACKAGES[fhir]).get_fhir_model_class(kind)
        base = importlib.import_module(f"{_PACKAGES[fhir]}.resource").Resource
    except (ValueError, KeyError, ImportError):
        return None
    return model if issubclass(model, base) else None


def structure_issues(resource: dict[str, Any], model: type[BaseModel]) -> list[Issue]:
    """What is wrong with the structure; nothing where it is as FHIR says."""
    kind = str(resource["resourceType"])
    try:
        model.model_validate(resource)
    except ValidationError as error:
        found = error.errors(include_url=False, include_input=False, include_context=False)[:_MOST]
        return [_issue(kind, each["type"], each["loc"]) for each in found]
    except RecursionError:
        return [Issue(code="structure", diagnostics="It is nested too deep.", expression=[kind])]
    return []


def _issue(kind: str, type: str, place: tuple[int | str, ...]) -> Issue:
    if type == "missing":
        code, text = "required", "FHIR requires this element."
    elif type == "extra_forbidden":
        code, text = "structure", "FHIR has no such element here."
    elif type.endswith("_type"):
        code, text = "structure", "This element is of another type in FHIR."
    else:
        code, text = "value", "The base structure of FHIR does not allow what is here."
    return Issue(code=code, diagnostics=text, expression=[_expression(kind, place)])


def _expression(kind: str, place: tuple[int | str, ...]) -> str:
    """The FHIRPath as far as it can be written: a name that is no name of an element ends it."""
    written = kind
    for step in place:
        if isinstance(step, int):
            written += f"[{step}]"
        elif step.isidentifier() and step.isascii() and not step.startswith("_"):
            written += f".{_element(kind, step)}"
        else:
            break
    return written


def _element(kind: str, name: str) -> str:
    """`valueQuantity` of the JSON is the element `value`."""
    if kind == "Observation":
        for choice in _CHOICES:
            if name.startswith(choice) and name[len(choice) : len(choice) + 1].isupper():
                return choice
    return name
