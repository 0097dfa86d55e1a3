"""Tokens in searches (R4 search.html#token): a code and its system, an identifier, a word of a fixed list."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from drainledger.fhir.search.refused import SearchRefused


class Asked(NamedTuple):
    """`system` None: any; "": none. `code` None: any of the system. `own`: the system of a plain code."""

    system: str | None
    code: str | None
    own: str

    def holds(self, value: Any) -> bool:
        return any(
            (self.code is None or code == self.code) and (self.system is None or system == self.system)
            for system, code in _coded(value, self.own)
        )


def any_of(asked: Sequence[Asked]) -> Callable[[Any], bool]:
    """Whether any of them holds, in one look however many they are. `own` is the same in all."""
    own = asked[0].own
    pairs = {(each.system, each.code) for each in asked}

    def holds(value: Any) -> bool:
        return any(
            not pairs.isdisjoint(((system, code), (None, code), (system, None)))
            for system, code in _coded(value, own)
        )

    return holds


def asked(name: str, text: str, own: str = "") -> Asked:
    """`text` is unescaped already but for `|`. Raises SearchRefused."""
    system, bar, code = _split(text)
    if not bar:
        if not code:
            raise SearchRefused("value", name, f"{name}: write a code, or system|code.")
        return Asked(None, code, own)
    if not system and not code:
        raise SearchRefused("value", name, f"{name}: write a code, or system|code.")
    return Asked(system, code or None, own)


def _split(text: str) -> tuple[str, bool, str]:
    pieces = split_escaped(text, "|")
    if len(pieces) == 1:
        return "", False, unescaped(pieces[0])
    return unescaped(pieces[0]), True, unescaped("|".join(pieces[1:]))


def _coded(value: Any, own: str) -> Iterator[tuple[str, str]]:
    """Each system and code of an element."""
    if isinstance(value, bool):
        yield own, str(value).lower()
    elif isinstance(value, str):
        yield own, value
    elif isinstance(value, dict):
        if isinstance(value.get("concept"), dict):  # a CodeableReference (R5)
            value = value["concept"]
        if "coding" in value:
            yield from ((each.get("system", ""), each["code"]) for each in value["coding"] if "code" in each)
        elif "code" in value:
            yield value.get("system", ""), value["code"]
        elif "value" in value:
            yield value.get("system", ""), value["value"]


def split_escaped(text: str, mark: str) -> list[str]:
    r"""At each `mark` that has no backslash before it (search.html#escaping); the pieces keep their escapes."""
    pieces, piece, escaping = [], "", False
    for character in text:
        if character == mark and not escaping:
            pieces.append(piece)
            piece = ""
        else:
            piece += character
        escaping = character == "\\" and not escaping
    return [*pieces, piece]


def unescaped(text: str) -> str:
    r"""`\,` `\|` `\$` `\\` as what they stand for."""
    found, escaping = "", False
    for character in text:
        if not escaping and character == "\\":
            escaping = True
            continue
        found += character if not escaping or character in ",|$\\" else f"\\{character}"
        escaping = False
    return found + ("\\" if escaping else "")
