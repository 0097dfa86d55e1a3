"""Instants in query parameters (RFC 3339), always with an offset."""

from __future__ import annotations

from datetime import UTC, datetime

from drainledger.web.problems import Refusal


def instant(name: str, text: str | None) -> datetime | None:
    """The parameter as UTC. Raises Refusal `bad-parameter`."""
    if text is None:
        return None
    # A plus that was not escaped arrives as a space: everybody's first mistake, and it can mean nothing else here.
    mended = text[:-6] + "+" + text[-5:] if text[-6:-5] == " " else text
    try:
        found = datetime.fromisoformat(mended)
    except ValueError:
        found = None
    if found is None or len(mended) < len("2026-03-02T07:00Z") or found.tzinfo is None:
        raise Refusal(
            "bad-parameter",
            "Write a time with its offset from UTC: 2026-03-02T07:00:00Z (a plus sign in a URL is written %2B).",
            parameter=name,
        )
    if not 1900 <= found.year < 2200:
        raise Refusal("bad-parameter", "Write a time in the years 1900 to 2199.", parameter=name)
    return found.astimezone(UTC)
