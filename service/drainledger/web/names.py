"""Names in paths and queries: of drains, records, resources."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import unquote

from pydantic import AfterValidator


def _storable(text: str) -> str:
    """No database keeps U+0000 in text, so nothing can be named with it."""
    if "\0" in text:
        raise ValueError("holds U+0000")
    return text


def plain(encoded: str) -> str:
    """A segment of a path (drainledger.web.request_head.routed) as the name that it stands for. Raises ValueError."""
    return _storable(unquote(encoded, errors="strict"))


def _encoded(text: str) -> str:
    plain(text)
    return text


#: A name in a query.
Name = Annotated[str, AfterValidator(_storable)]
#: A name that is one segment of a path.
Segment = Annotated[str, AfterValidator(plain)]
#: One or more segments, to be read each by `plain`.
Segments = Annotated[str, AfterValidator(_encoded)]
