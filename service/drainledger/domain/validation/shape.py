"""Reads an object field by field from a table, so that what the contract knows stands in one place a kind."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any, Final, NamedTuple, TypeAlias, TypeVar

import msgspec

from drainledger.domain.records import Identifier
from drainledger.domain.validation.context import Context, remember
from drainledger.domain.validation.text import identifier, word
from drainledger.domain.validation.texts import type_name

#: Turns a JSON value into the record's; notes what is wrong in the context and then answers None.
Reader: TypeAlias = Callable[[Context, Any, str], Any]

_CANONICAL: Final = msgspec.json.Encoder(decimal_format="number")


class Field(NamedTuple):
    """`reader` is None for a field that the envelope reads."""

    attribute: str
    reader: Reader | None
    path: str


Shape: TypeAlias = Mapping[str, Field]
_T = TypeVar("_T")


def shape(envelope: Iterable[str] = (), **readers: Reader) -> Shape:
    """A table of fields. A trailing underscore is for Python alone: `from_` is read from "from"."""
    table = {name: Field("", None, f"/{name}") for name in envelope}
    for attribute, reader in readers.items():
        name = attribute.rstrip("_")
        table[name] = Field(attribute, reader, f"/{name}")
    return table


def read_fields(ctx: Context, raw: Mapping[str, Any], table: Shape, needed: Iterable[str]) -> dict[str, Any]:
    """The attributes that `raw` states. Null is absent; a field that `table` does not know is noted as ignored."""
    fields: dict[str, Any] = {}
    for name, value in raw.items():
        field = table.get(name)
        if field is None:
            ctx.ignore("", name, table)
        elif value is not None and field.reader is not None:
            fields[field.attribute] = field.reader(ctx, value, field.path)
    for name in needed:
        if raw.get(name) is None:
            ctx.hold("missing-field", f"/{name}")
    return fields


def read_object(
    ctx: Context, raw: Any, path: str, table: Shape, needed: Iterable[str] = ()
) -> dict[str, Any] | None:
    """The attributes of the object at `path`, or None where it is no object or something in it is wrong."""
    if not isinstance(raw, dict):
        ctx.hold("wrong-type", path, wanted=f"an object with {', '.join(table)}", found=type_name(raw))
        return None
    before, base = len(ctx.problems), ctx.base
    ctx.base = base + path
    fields = read_fields(ctx, raw, table, needed)
    ctx.base = base
    return fields if len(ctx.problems) == before else None


def remembered(name: str, reader: Reader) -> Reader:
    """`reader`, which for a small object that was sent before, in the same words, answers at once.

    Only what has no problem and no ignored field is kept.
    """
    return partial(_read_remembered, name, reader)


def _read_remembered(name: str, reader: Reader, ctx: Context, raw: Any, path: str) -> Any:
    try:
        key = (name, _CANONICAL.encode(raw))
    except (
        TypeError,
        ValueError,
        RecursionError,
    ):  # not from JSON: no key, but the reader can still judge it
        return reader(ctx, raw, path)
    known = ctx.memory.objects
    value = known.get(key)
    if value is None:
        before = len(ctx.problems), len(ctx.ignored)
        value = reader(ctx, raw, path)
        if value is not None and (len(ctx.problems), len(ctx.ignored)) == before:
            remember(known, key, value)
    return value


def one_of(*known: str) -> Reader:
    """A reader of one of these words."""
    return lambda ctx, raw, path: word(ctx, raw, path, known)


_IDENTIFIER: Final = shape(system=identifier, value=identifier)


def business_identifier(ctx: Context, raw: Any, path: str) -> Identifier | None:
    """`{system, value}`, both needed."""
    fields = read_object(ctx, raw, path, _IDENTIFIER, ("system", "value"))
    return None if fields is None else Identifier(**fields)
