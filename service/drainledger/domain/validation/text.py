"""Ids, labels, free text and words of a list."""

from __future__ import annotations

import re
import unicodedata
from typing import Any, Final, TypeGuard

from drainledger.domain.validation.context import Context
from drainledger.domain.validation.texts import closest, shown, type_name

LONGEST_ID: Final = 128
LONGEST_LABEL: Final = 256
LONGEST_NOTE: Final = 10_000

#: Control, format (zero-width, direction), surrogate, line and paragraph separator: nobody sees them in an identifier.
_INVISIBLE: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
#: Turn the direction of what follows, so that text reads otherwise than it is written (Unicode UAX 9, 2.1 to 2.4).
_TURNING: Final = "\u202a-\u202e\u2066-\u2069"
#: What FHIR's string and JSON's UTF-8 can't carry, and what would make a note read as another.
_UNFIT: Final = re.compile(f"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff{_TURNING}]")
_TURNED: Final = re.compile(f"[{_TURNING}]")


def is_id(value: object) -> TypeGuard[str]:
    """Whether `value` can serve as an id: 1 to 128 visible characters, not dots alone, no space at either end."""
    if not isinstance(value, str) or not 0 < len(value) <= LONGEST_ID:
        return False
    return _fault(value) is None and not _is_dots(value)


def identifier(ctx: Context, raw: Any, path: str) -> str | None:
    """An id, or anything else that is compared character by character. Not dots alone: RFC 3986, 5.2.4 takes `.` and
    `..` out of a path, however they are encoded."""
    if isinstance(raw, str) and _is_dots(raw):
        ctx.hold("only-dots", path)
        return None
    return _single_line(ctx, raw, path, LONGEST_ID)


def label(ctx: Context, raw: Any, path: str) -> str | None:
    """A name or number of one line that people read."""
    return _single_line(ctx, raw, path, LONGEST_LABEL)


def note(ctx: Context, raw: Any, path: str) -> str | None:
    """Free text. Characters that can't be shown, or that turn the direction of the text, become spaces: nobody could
    find and remove them."""
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="text", found=type_name(raw))
        return None
    if len(raw) > LONGEST_NOTE:
        ctx.hold("too-long", path, length=len(raw), limit=LONGEST_NOTE)
        return None
    return _UNFIT.sub(" ", raw).strip() or None


def scanned(ctx: Context, raw: Any, path: str) -> str | None:
    """What a scanner read, kept as it is, group separators included."""
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="text", found=type_name(raw))
    elif not raw.strip():
        ctx.hold("empty-text", path)
    elif len(raw) > LONGEST_LABEL:
        ctx.hold("too-long", path, length=len(raw), limit=LONGEST_LABEL)
    elif _TURNED.search(raw) or any(unicodedata.category(mark) == "Cs" for mark in raw):
        ctx.hold("control-character", path)
    else:
        return raw
    return None


def word(ctx: Context, raw: Any, path: str, known: tuple[str, ...], code: str = "unknown-word") -> str | None:
    """One of `known`."""
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="a word", found=type_name(raw))
    elif raw in known:
        return raw
    elif not raw.strip():
        ctx.hold("empty-text", path)
    else:
        ctx.hold(code, path, shown=shown(raw), closest=closest(raw, known), known=", ".join(known))
    return None


def _single_line(ctx: Context, raw: Any, path: str, limit: int) -> str | None:
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="text", found=type_name(raw))
    elif not raw.strip():
        ctx.hold("empty-text", path)
    elif len(raw) > limit:
        ctx.hold("too-long", path, length=len(raw), limit=limit)
    elif (fault := _fault(raw)) is not None:
        ctx.hold(fault, path)
    else:
        return raw
    return None


def _is_dots(value: str) -> bool:
    return bool(value) and not value.strip(".")


def _fault(value: str) -> str | None:
    if not value.isprintable() and any(unicodedata.category(mark) in _INVISIBLE for mark in value):
        return "control-character"
    if value[0].isspace() or value[-1].isspace():
        return "edge-space"
    return None
