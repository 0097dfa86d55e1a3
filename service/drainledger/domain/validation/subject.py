"""What a held record is about, as far as it can be made out (DESIGN 3: the drain's views say that one is held)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from drainledger.domain.problems import Problem
from drainledger.domain.validation.outcome import Refused
from drainledger.domain.validation.text import is_id

RECORD_KINDS: Final = ("drain", "collector", "event", "reading", "correction", "retraction")


def refuse(raw: Mapping[str, Any], problems: Iterable[Problem], ignored: Iterable[Problem] = ()) -> Refused:
    """The record `raw`, held for `problems`."""
    kind = raw.get("record")
    known = kind if isinstance(kind, str) and kind in RECORD_KINDS else None
    return Refused(_id(raw, "id"), known, _drain(raw, known), tuple(problems), tuple(ignored))


def _id(raw: Mapping[str, Any], field: str) -> str | None:
    value = raw.get(field)
    return value if is_id(value) else None


def _drain(raw: Mapping[str, Any], kind: str | None) -> str | None:
    if kind == "drain":
        return _id(raw, "id")
    if kind != "correction":
        return _id(raw, "drain")
    for inner_kind in ("reading", "event"):
        inner = raw.get(inner_kind)
        if isinstance(inner, dict):
            return _id(inner, "drain")
    return _id(raw, "corrects") if isinstance(raw.get("drain"), dict) else None
