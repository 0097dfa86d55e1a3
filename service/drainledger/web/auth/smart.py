"""SMART App Launch 2.0 scopes (section 'Scopes for requesting FHIR Resources'), and 1.0's, as what they allow here.

| granted | allows |
| --- | --- |
| `system/` or `user/`, `Observation` or `*`, with `r` and `s` (1.0: `.read`) | `read` |
| the same with `c` and `u` (1.0: `.write`) | `records.write` |
| `system/*.cruds` (1.0: `system/*.*`) | `operate` too |
| `drainledger/records.write`, `drainledger/read`, `drainledger/operate` | the same, where an issuer can grant them |

`/v1` goes by these. Below `/fhir` a token that names types reads those types and no others (`types_of`).

A scope of `patient/`, or narrowed by a query (`?category=…`), allows nothing here: this interface can't keep to what it
narrows.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from drainledger.web.auth.principal import SCOPES, Scope

_SMART: Final = re.compile(r"(system|user)/(\*|[A-Z][A-Za-z]*)\.(read|write|\*|(?=[cruds])c?r?u?d?s?)")
_OLD: Final = {"read": "rs", "write": "cud", "*": "cruds"}
_OWN: Final = {f"drainledger/{scope}": scope for scope in SCOPES}
#: R5's names of types, by which a token may name them.
_RENAMED: Final = {"DeviceUsage": "DeviceUseStatement"}


def scopes_of(claimed: str) -> frozenset[Scope]:
    """What a token's `scope` claim (names with spaces between) allows."""
    return frozenset(scope for name in claimed.split() for scope in _allowed(name))


def types_of(claimed: str) -> frozenset[str] | None:
    """The types that a token's `scope` claim lets its bearer read and search, by R4's names; None for all of them."""
    types = {type_ for name in claimed.split() for type_ in _readable(name)}
    return None if "*" in types else frozenset(_RENAMED.get(type_, type_) for type_ in types)


def _allowed(name: str) -> Iterator[Scope]:
    if name in _OWN:
        yield _OWN[name]
    match = _SMART.fullmatch(name)
    if match is None or match[2] not in ("*", "Observation"):
        return
    letters = _letters(match)
    if letters >= {"r", "s"}:
        yield "read"
    if letters >= {"c", "u"}:
        yield "records.write"
    if match[1] == "system" and match[2] == "*" and letters == set("cruds"):
        yield "operate"


def _readable(name: str) -> Iterator[str]:
    if name == "drainledger/read":
        yield "*"
    match = _SMART.fullmatch(name)
    if match is not None and _letters(match) >= {"r", "s"}:
        yield match[2]


def _letters(match: re.Match[str]) -> set[str]:
    return set(_OLD.get(match[3], match[3]))
