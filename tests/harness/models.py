"""Validates resources with the models of `fhir.resources` (PyPI), and that they come back with the same content.

R4 goes through R4B, the nearest that the package has (R4B allows more targets for some references; node.py narrows
them), R5 through R5. Its decimals and date-times are rewritten (0.010 as 0.01, `.120` as `.120000`), so content is
compared by value: numbers as decimals, date-times as instants.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Any, Literal

import fhir.resources
import fhir.resources.R4B
from pydantic import BaseModel, ValidationError

from tests.harness.problem import Problem

Release = Literal["R4", "R5"]

_MODEL_CLASSES: dict[Release, Callable[[str], Any]] = {
    "R4": fhir.resources.R4B.get_fhir_model_class,
    "R5": fhir.resources.get_fhir_model_class,
}


def check_models(lines: Iterable[str | bytes], fhir: Release = "R4") -> list[Problem]:
    """Problems of NDJSON resources: rule `fhir.resources` where a model refuses, `round-trip` where content changes."""
    return [
        problem
        for number, line in enumerate(lines, start=1)
        if line.strip()
        for problem in _check_line(number, line, fhir)
    ]


@cache
def _model_class(name: str, fhir: Release) -> type[BaseModel] | None:
    try:
        model: type[BaseModel] = _MODEL_CLASSES[fhir](name)
    except ValueError:
        return None
    return model


def _check_line(number: int, line: str | bytes, fhir: Release) -> Iterator[Problem]:
    original = json.loads(line, parse_float=Decimal)
    name = original.get("resourceType", "")

    def problem(rule: str, path: str, message: str) -> Problem:
        return Problem(
            number, rule, f"{path}: {message}", id=original.get("id"), resource_type=name, path=path
        )

    model = _model_class(name, fhir)
    if model is None:
        yield problem("fhir.resources", "resourceType", f"{fhir} has no such resource")
        return
    try:
        back = model.model_validate(original).model_dump_json()
    except ValidationError as error:
        for each in error.errors(include_url=False, include_input=False, include_context=False):
            yield problem("fhir.resources", ".".join(map(str, each["loc"])), each["msg"])
        return
    for path in differences(original, json.loads(back, parse_float=Decimal), name):
        yield problem("round-trip", path, "comes back with other content")


def differences(left: Any, right: Any, path: str = "") -> Iterator[str]:
    """Paths at which two JSON values differ, numbers by value and date-times by instant."""
    if isinstance(left, dict) and isinstance(right, dict):
        for key in sorted(left.keys() | right.keys()):
            if key in left and key in right:
                yield from differences(left[key], right[key], f"{path}.{key}")
            else:
                yield f"{path}.{key}"
    elif isinstance(left, list) and isinstance(right, list) and len(left) == len(right):
        for index, (one, other) in enumerate(zip(left, right, strict=True)):
            yield from differences(one, other, f"{path}[{index}]")
    elif not _is_same(left, right):
        yield path


def _is_same(left: Any, right: Any) -> bool:
    if isinstance(left, bool) or isinstance(right, bool):
        return left is right
    if isinstance(left, int | Decimal) and isinstance(right, int | Decimal):
        return left == right
    if left == right:
        return True
    moments = [_instant(each) for each in (left, right) if isinstance(each, str)]
    return len(moments) == 2 and None not in moments and moments[0] == moments[1]


def _instant(text: str) -> datetime | None:
    """The instant of a date-time with a zone; None for anything else, which is then compared as text."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else None
