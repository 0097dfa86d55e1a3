"""References in searches (R4 search.html#reference): by id, by type and id, or by a URL below the own base."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final, NamedTuple

from drainledger.fhir.search.refused import SearchRefused

_TEXT: Final = re.compile(
    r"(?P<base>https?://.+?/)?(?:(?P<type>[A-Z][A-Za-z]+)/)?(?P<id>[A-Za-z0-9.-]{1,64})"
    r"(?:/_history/(?P<version>[A-Za-z0-9.-]{1,64}))?"
)


class Asked(NamedTuple):
    """`type` None: any; `version` None: any."""

    type: str | None
    id: str
    version: str | None

    def holds(self, value: Any) -> bool:
        return any(
            match["id"] == self.id
            and self.type in (None, match["type"])
            and self.version in (None, match["version"])
            for match in _named(value)
        )


def any_of(asked: Sequence[Asked]) -> Callable[[Any], bool]:
    """Whether any of them holds, in one look however many they are."""
    wanted = set(asked)

    def holds(value: Any) -> bool:
        return any(
            (type_, match["id"], version) in wanted
            for match in _named(value)
            for type_ in (None, match["type"])
            for version in (None, match["version"])
        )

    return holds


def asked(name: str, text: str, base: str, type_: str | None) -> Asked:
    """`type_` is what the name of the parameter narrows to (`subject:Patient`). Raises SearchRefused."""
    match = _TEXT.fullmatch(text)
    if match is None or (match["base"] is not None and match["type"] is None):
        raise SearchRefused("value", name, f"{name}: write an id, Type/id, or the URL of a resource here.")
    if match["base"] is not None and match["base"].rstrip("/") != base:
        raise SearchRefused("value", name, f"{name}: only what is served here can be referred to: {base}/...")
    if type_ is not None and match["type"] not in (None, type_):
        raise SearchRefused("value", name, f"{name}: asks for two types at once. Name one.")
    return Asked(match["type"] or type_, match["id"], match["version"])


def _named(value: Any) -> Iterator[re.Match[str]]:
    while isinstance(value, dict) and isinstance(value.get("reference"), dict):
        value = value["reference"]  # a CodeableReference (R5)
    text = value.get("reference") if isinstance(value, dict) else value
    if isinstance(text, str) and (match := _TEXT.fullmatch(text)) is not None:
        yield match


def identifier_of(value: Any) -> list[Any]:
    """What `:identifier` looks at."""
    while isinstance(value, dict) and isinstance(value.get("reference"), dict):
        value = value["reference"]
    return [value["identifier"]] if isinstance(value, dict) and "identifier" in value else []
