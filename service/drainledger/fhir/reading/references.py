"""References: what they name, by literal id, by identifier, or by a search for an identifier (R4 references.html)."""

from __future__ import annotations

import re
from typing import Any, Final
from urllib.parse import parse_qsl, unquote

from msgspec import Struct

from drainledger.fhir.reading.desk import Desk, Named
from drainledger.fhir.reading.notes import Notes

_LITERAL: Final = re.compile(r"([A-Z][A-Za-z]{1,40})/([A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]{1,64})?")
_SEARCH: Final = re.compile(r"([A-Z][A-Za-z]{1,40})\?(.{1,2000})")


class Ref(Struct, frozen=True):
    """What a reference says. `id` is of a resource served here; `foreign`: it has a literal part that is not."""

    path: str
    type: str | None = None
    id: str | None = None
    system: str | None = None
    value: str | None = None
    foreign: bool = False


def read_reference(notes: Notes, desk: Desk, raw: dict[str, Any], path: str) -> Ref:
    """What one Reference names; identifier and literal part are both kept, for they may contradict each other."""
    stated = notes.text(raw, "type", path)
    kind, ident, foreign, searched = _literal(desk, notes.text(raw, "reference", path))
    logical = notes.object(raw, "identifier", path)
    system, value = (None, None) if logical is None else _identifier(notes, logical, f"{path}.identifier")
    if searched is not None and value is None:
        system, value = searched
    if kind is not None and stated is not None and kind != stated:
        notes.refuse(
            f"{path}.type", "invalid", "The type of this reference is not that of what it refers to."
        )
    return Ref(path, kind or stated, ident, system, value, foreign)


def _literal(
    desk: Desk, text: str | None
) -> tuple[str | None, str | None, bool, tuple[str | None, str] | None]:
    """Type, id, whether it leads elsewhere, and the identifier that it searches for."""
    if text is None:
        return None, None, False, None
    for root in desk.roots:
        text = text.removeprefix(f"{root}/")
    found = _LITERAL.fullmatch(text)
    if found is not None:
        return found[1], found[2], False, None
    search = _SEARCH.fullmatch(text)
    if search is not None:
        pairs = parse_qsl(search[2])
        if len(pairs) == 1 and pairs[0][0] == "identifier" and pairs[0][1].strip():
            return search[1], None, False, token(pairs[0][1])
    return None, None, True, None


def token(text: str) -> tuple[str | None, str]:
    """`system|value` or a value alone (R4 search.html#token), with its escapes (search.html#escaping) undone."""
    system, bar, value = text.partition("|")
    if not bar:
        system, value = "", text
    return _unescaped(system) or None, _unescaped(value)


def _unescaped(text: str) -> str:
    return re.sub(r"\\([\\$,|])", r"\1", text)


def _identifier(notes: Notes, raw: dict[str, Any], path: str) -> tuple[str | None, str | None]:
    return notes.text(raw, "system", path), notes.text(raw, "value", path)


def named(desk: Desk, ref: Ref) -> list[Named]:
    """What a reference to a Device or DeviceMetric stands for, by each of its parts; nothing where it is not ours."""
    found = []
    if ref.id is not None and ref.type in ("Device", "DeviceMetric"):
        known = desk.directory.device(ref.id)
        found += [] if known is None else [known]
    if ref.value is not None and ref.system in (desk.sid("device"), desk.sid("device-metric")):
        logical = _by_identifier(ref.value)
        found += [] if logical is None else [logical]
    return found


def _by_identifier(value: str) -> Named | None:
    """The identifier's value as it is served: `drain.ID`, `collector.ID`, `collector.ID.chamber.A`,
    `collector.ID.level.A`; each ID percent-encoded, so that a dot always separates."""
    kind, *pieces = value.split(".")
    if not pieces or not all(pieces):
        return None
    ident = unquote(pieces[0])
    if kind == "drain":
        return Named("drain", ident) if len(pieces) == 1 else None
    if kind != "collector":
        return None
    chamber = unquote(pieces[2]) if len(pieces) == 3 and pieces[1] in ("chamber", "level") else None
    return Named("collector", ident, chamber)
