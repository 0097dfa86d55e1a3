"""Which of the scopes that a client asks for it is given (SMART App Launch 2.2.0, scopes-and-launch-context.html)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

_SCOPE: Final = re.compile(r"system/(\*|[A-Z][A-Za-z]{0,63})\.(read|write|\*|(?=[cruds])c?r?u?d?s?)")
_OLD: Final = {"read": "rs", "write": "cud", "*": "cruds"}
_LETTERS: Final = "cruds"


def is_scope(name: str) -> bool:
    """Whether a client may have it: `system/`, a type or `*`, and what may be done, in SMART's way of 2.0 or of 1.0."""
    return _SCOPE.fullmatch(name) is not None


def granted(asked: Iterable[str], allowed: Iterable[str]) -> tuple[str, ...]:
    """What of the asked is allowed: a scope as it was asked for where all of it is, else the part that is."""
    allowed_parts = [_parts(each) for each in allowed if is_scope(each)]
    given: dict[str, None] = {}
    for name in asked:
        if not is_scope(name):
            continue
        type_, letters = _parts(name)
        for allowed_type, allowed_letters in allowed_parts:
            if type_ != "*" and allowed_type not in ("*", type_):
                continue
            both = letters & allowed_letters
            is_whole = both == letters and allowed_type in ("*", type_)
            narrower = allowed_type if type_ == "*" else type_
            if is_whole:
                given[name] = None
            elif both:
                given[f"system/{narrower}.{''.join(each for each in _LETTERS if each in both)}"] = None
    return tuple(given)


def _parts(name: str) -> tuple[str, frozenset[str]]:
    match = _SCOPE.fullmatch(name)
    assert match is not None, "it was asked before whether it is a scope"
    return match[1], frozenset(_OLD.get(match[2], match[2]))
