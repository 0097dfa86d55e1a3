"""Instants in parameters of a history, whole or in part (R4 search.html#date, http.html#history)."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final

from drainledger.rest.repository import Period
from drainledger.web.fhir.outcome import FhirRefusal

_PARTS: Final = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d{1,6})?)?(Z|[+-]\d\d:\d\d)?)?)?)?", re.ASCII
)


def moment_or_period(name: str, text: str | None) -> Period | None:
    """The time that a date, a part of one or an instant stands for; without a zone in UTC. Raises FhirRefusal
    `bad-parameter`."""
    if text is None:
        return None
    mended = text[:-6] + "+" + text[-5:] if text[-6:-5] == " " else text
    try:
        found = _period(mended)
    except (ValueError, OverflowError):
        found = None
    if found is None:
        raise FhirRefusal(
            "bad-parameter",
            "Write an instant with its offset from UTC, or a date, or the beginning of one: "
            "2026-03-02T07:00:00Z, 2026-03-02, 2026-03 (a plus sign in a URL is written %2B).",
            parameter=name,
        )
    return found


def _period(text: str) -> Period | None:
    match = _PARTS.fullmatch(text)
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    if not 1900 <= int(year) < 2200:
        return None
    start = datetime.fromisoformat(
        f"{year}-{month or '01'}-{day or '01'}T{hour or '00'}:{minute or '00'}:{second or '00'}"
        f"{fraction or ''}{zone or '+00:00'}"
    ).astimezone(UTC)
    if month is None:
        return Period(start, start.replace(year=start.year + 1))
    if day is None:
        return Period(start, (start + timedelta(days=31)).replace(day=1))
    for given, length in ((hour, timedelta(days=1)), (second, timedelta(minutes=1))):
        if given is None:
            return Period(start, start + length)
    step = timedelta(seconds=1) if fraction is None else timedelta(seconds=10 ** (1 - len(fraction)))
    return Period(start, start + step)
