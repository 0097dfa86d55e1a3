"""Names in paths and queries: of drains, records, resources."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator


def _storable(text: str) -> str:
    """No database keeps U+0000 in text, so nothing can be named with it."""
    if "\0" in text:
        raise ValueError("holds U+0000")
    return text


Name = Annotated[str, AfterValidator(_storable)]
