"""Instants in query parameters (RFC 3339), always with an offset."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Final

from drainledger.web.problems import Refusal

#: RFC 3339, 5.6 `date-time`; Python's own reader takes much more.
_DATE_TIME: Final = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]([01]\d|2[0-3]):[0-5]\d)", re.ASCII | re.IGNORECASE
)


def instant(name: str, text: str | None) -> datetime | None:
    """The parameter as UTC. Raises Refusal `bad-parameter`."""
    if text is None:
        return None
    # A plus that was not escaped arrives as a space: everybody's first mistake, and it can mean nothing else here.
    mended = text[:-6] + "+" + text[-5:] if text[-6:-5] == " " else text
    found = _read(mended)
    if found is None:
        raise Refusal(
            "bad-parameter",
            "Write a time with seconds and its offset from UTC (RFC 3339): 2026-03-02T07:00:00Z or "
            "2026-03-02T08:00:00+01:00 (a plus sign in a URL is written %2B).",
            parameter=name,
        )
    if not 1900 <= found.year < 2200:
        raise Refusal("bad-parameter", "Write a time in the years 1900 to 2199.", parameter=name)
    return found.astimezone(UTC)


def _read(text: str) -> datetime | None:
    if not _DATE_TIME.fullmatch(text):
        return None
    try:
        return datetime.fromisoformat(text.upper())
    except ValueError:  # the thirtieth of February
        return None
