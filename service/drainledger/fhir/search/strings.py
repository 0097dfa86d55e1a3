"""Texts in searches (R4 search.html#string, #uri)."""

from __future__ import annotations

import unicodedata
from typing import Any, NamedTuple


class Asked(NamedTuple):
    """`how`: starts, contains, exact, or the same (a URI). Without case and accents, but for the last two."""

    text: str
    how: str

    def holds(self, value: Any) -> bool:
        if not isinstance(value, str):
            return False
        match self.how:
            case "starts":
                return plain(value).startswith(plain(self.text))
            case "contains":
                return plain(self.text) in plain(value)
            case _:
                return value == self.text


def plain(text: str) -> str:
    """Without case, and without what stands above or below letters."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(character for character in apart if not unicodedata.combining(character))
