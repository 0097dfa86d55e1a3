"""Reads one mapping file into its model: decimals as written, no unknown keys, every fault with file, key and line."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Iterable
from datetime import time
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, ValidationError

from drainledger.domain.quantities import ValueOutOfRange, plain
from drainledger.mapping import lines
from drainledger.mapping.errors import Fault, MappingError

#: The most that a mapping file may hold; the shipped ones are a few kilobytes.
_LARGEST_FILE: Final = 1_000_000
#: No figure of a mapping has more digits than this, before the point or behind it.
_LARGE: Final = 9
_SMALL: Final = 9
_SYNTAX_LINE: Final = re.compile(r"\(at line (\d+), column \d+\)")
_DECIMAL: Final = re.compile(r"Decimal\('([^']*)'\)")
_CLOCK: Final = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


class Model(BaseModel):
    """A table of a mapping file. Keys that it does not know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


M = TypeVar("M", bound=Model)


def _number(value: object) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("should be a number")
    number = Decimal(value)
    if not number.is_finite():
        raise ValueError("should be a finite number")
    if number and not (-_SMALL <= number.adjusted() <= _LARGE):
        raise ValueError("is too large or too small a number for anything here; look for a slip of the pen")
    try:
        return plain(number)
    except ValueOutOfRange:
        raise ValueError("has more digits than anything here needs; round it") from None


def _clock(value: object) -> time:
    if not isinstance(value, str) or not _CLOCK.fullmatch(value):
        raise ValueError('should be a wall time such as "07:00"')
    return time.fromisoformat(value)


Number = Annotated[Decimal, BeforeValidator(_number)]
Clock = Annotated[time, BeforeValidator(_clock)]
#: An id or a code: lower-case words joined by hyphens.
Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=64)]
Text = Annotated[str, StringConstraints(min_length=1, strip_whitespace=True, max_length=1000)]


def read(file: Path, model: type[M], check: Callable[[M], Iterable[Fault]]) -> M:
    """The file's content as `model`, after `check` has found no fault in it.

    Raises MappingError for the first fault; `faults` gives them all.
    """
    content, found = _content(file, model, check)
    if content is None or found:
        raise found[0]
    return content


def faults(file: Path, model: type[M], check: Callable[[M], Iterable[Fault]]) -> list[MappingError]:
    """Every fault of the file, in the order of its lines."""
    return sorted(_content(file, model, check)[1], key=lambda fault: fault.line)


def _content(
    file: Path, model: type[M], check: Callable[[M], Iterable[Fault]]
) -> tuple[M | None, list[MappingError]]:
    try:
        text = _text(file)
        raw = _decoded(file, text)
    except MappingError as error:
        return None, [error]
    places = lines.key_lines(text)
    try:
        content = model.model_validate(raw)
    except ValidationError as error:
        return None, [
            fault.at(str(file), lines.line_of(places, fault.path)) for fault in _model_faults(model, error)
        ]
    found = [fault.at(str(file), lines.line_of(places, fault.path)) for fault in check(content)]
    return content, found


def _text(file: Path) -> str:
    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise MappingError(str(file), "", 0, f"is larger than {_LARGEST_FILE} bytes")
        return file.read_text(encoding="utf-8")
    except OSError as error:
        raise MappingError(str(file), "", 0, f"can't be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        line = file.read_bytes().count(b"\n", 0, error.start) + 1
        raise MappingError(str(file), "", line, "is not UTF-8; save it as UTF-8") from error


def _decoded(file: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except (ValueError, ArithmeticError, RecursionError) as error:  # a number of 5000 digits, too
        at = _SYNTAX_LINE.search(str(error))
        line = int(at[1]) if at else text.count("\n") + 1
        raise MappingError(str(file), "", line, f"is not valid TOML: {error}") from error


def _model_faults(model: type[BaseModel], error: ValidationError) -> Iterable[Fault]:
    details = error.errors(include_url=False, include_input=False)
    # A list counts as too short when its items are refused: the items' own faults are what there is to mend.
    causes = [
        detail
        for detail in details
        if detail["type"] != "too_short"
        or not any(_is_inside(other["loc"], detail["loc"]) for other in details)
    ]
    # Unknown keys first: a misspelt key is missing under its right name too, and the misspelling is the cause.
    for detail in sorted(causes, key=lambda detail: detail["type"] != "extra_forbidden"):
        path = tuple(part for part in detail["loc"] if part != "[key]")
        yield Fault(path, _explained(model, path, detail["type"], detail["msg"]))


def _is_inside(path: lines.Path, around: lines.Path) -> bool:
    return len(path) > len(around) and path[: len(around)] == around


def _explained(model: type[BaseModel], path: lines.Path, kind: str, text: str) -> str:
    if kind == "missing":
        return "is missing"
    if kind == "extra_forbidden":
        known = _keys_beside(model, path)
        return f"is no known key; {meant(str(path[-1]), known)}"
    bare = text.removeprefix("Value error, ").removeprefix("Input ")
    return _DECIMAL.sub(r"\1", bare)


def meant(written: str, known: Iterable[str]) -> str:
    """What a misspelt name was probably meant to be, else all that it could have been."""
    names = list(known)
    close = difflib.get_close_matches(written, names, n=1)
    return f"did you mean '{close[0]}'?" if close else f"known: {', '.join(names)}"


def _keys_beside(model: type[BaseModel], path: lines.Path) -> list[str]:
    """The keys that the table holding the last part of `path` may have."""
    table = model
    for part in path[:-1]:
        if isinstance(part, str) and part in table.model_fields:
            table = _table_of(table.model_fields[part].annotation) or table
    return list(table.model_fields)


def _table_of(annotation: Any) -> type[BaseModel] | None:
    """The model inside an annotation such as `tuple[Chamber, ...]` or `dict[str, Rule]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_table_of(argument) for argument in get_args(annotation))
    return next((found for found in inner if found is not None), None)
