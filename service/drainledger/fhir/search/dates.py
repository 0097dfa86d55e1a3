"""Dates in searches (R4 search.html#date): everything is a span of time, as wide as it is exactly told.

A time without a zone is taken in UTC, and so is a date. Periods may be open at either end.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final, NamedTuple

from drainledger.fhir.search.refused import SearchRefused

_TEXT: Final = re.compile(
    r"(?P<year>\d{4})(?:-(?P<month>\d\d)(?:-(?P<day>\d\d)(?:T(?P<hour>\d\d):(?P<minute>\d\d)"
    r"(?::(?P<second>\d\d)(?:\.(?P<fraction>\d{1,9}))?)?(?P<zone>Z|[+ -]\d\d:\d\d)?)?)?)?"
)
_FIRST: Final = datetime.min.replace(tzinfo=UTC)
_LAST: Final = datetime.max.replace(tzinfo=UTC)
_TENTH: Final = 10
#: Further from UTC no clock is (R4 datatypes.html#dateTime: the hours of an offset are at most 14).
_FURTHEST: Final = timedelta(hours=14)


class Span(NamedTuple):
    """From `start` until before `end`."""

    start: datetime
    end: datetime


@lru_cache(maxsize=4096)
def span(text: str) -> Span:
    """Of a date, dateTime or instant. Raises ValueError."""
    match = _TEXT.fullmatch(text)
    if match is None:
        raise ValueError
    return _span(match)


def _span(match: re.Match[str]) -> Span:
    numbers = {name: int(value) for name, value in match.groupdict().items() if value and value.isdigit()}
    start = datetime(
        numbers["year"],
        numbers.get("month", 1),
        numbers.get("day", 1),
        numbers.get("hour", 0),
        numbers.get("minute", 0),
        tzinfo=UTC,
    )
    offset = _offset(match["zone"])
    try:
        if match["day"] is None:
            return Span(start, _months_on(start, 1 if match["month"] else 12))
        if match["hour"] is None:
            return Span(start, start + timedelta(days=1))
        start -= offset
        if match["second"] is None:
            return Span(start, start + timedelta(minutes=1))
        width = Decimal(1).scaleb(-len(match["fraction"] or ""))
        start += timedelta(seconds=numbers["second"], microseconds=_micros(match["fraction"]))
        return Span(
            start, start + max(timedelta(microseconds=1), timedelta(microseconds=int(width * 1_000_000)))
        )
    except OverflowError:
        raise ValueError from None


def _months_on(start: datetime, months: int) -> datetime:
    years, month = divmod(start.month - 1 + months, 12)
    if start.year + years > _LAST.year:
        return _LAST
    return start.replace(year=start.year + years, month=month + 1)


def _micros(fraction: str | None) -> int:
    return int(fraction[:6].ljust(6, "0")) if fraction else 0


def _offset(zone: str | None) -> timedelta:
    """A plus that a URL turned into a space is a plus."""
    if zone in (None, "Z"):
        return timedelta()
    assert zone is not None
    offset = timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
    if offset > _FURTHEST:
        raise ValueError
    return -offset if zone[0] == "-" else offset


def span_of(value: Any) -> Span | None:
    """Of an element: a date or dateTime, or a Period; None for anything else."""
    if isinstance(value, str):
        return span(value)
    if isinstance(value, dict) and ("start" in value or "end" in value):
        start = span(value["start"]).start if "start" in value else _FIRST
        end = span(value["end"]).end if "end" in value else _LAST
        return Span(start, end)
    return None


#: What each prefix asks of what was asked for (`want`) and what is there (`have`).
_PREFIXES: Final[dict[str, Callable[[Span, Span], bool]]] = {
    "eq": lambda want, have: want.start <= have.start and have.end <= want.end,
    "ne": lambda want, have: not (want.start <= have.start and have.end <= want.end),
    "gt": lambda want, have: have.end > want.end,
    "lt": lambda want, have: have.start < want.start,
    "ge": lambda want, have: have.end > want.end or (want.start <= have.start and have.end <= want.end),
    "le": lambda want, have: have.start < want.start or (want.start <= have.start and have.end <= want.end),
    "sa": lambda want, have: have.start >= want.end,
    "eb": lambda want, have: have.end <= want.start,
    "ap": lambda want, have: have.start < want.end and want.start < have.end,
}


class Asked(NamedTuple):
    """`prefix` and the span that was written behind it."""

    prefix: str
    want: Span

    def holds(self, value: Any) -> bool:
        have = span_of(value)
        return have is not None and _PREFIXES[self.prefix](self.want, have)

    def earliest(self) -> datetime | None:
        """Nothing that matches, an instant, is before this; None where nothing is known."""
        return self.want.start if self.prefix in ("eq", "gt", "ge", "sa") else None


def asked(name: str, text: str, now: datetime) -> Asked:
    """What `text` asks for. Raises SearchRefused."""
    prefix, rest = (text[:2], text[2:]) if text[:2] in _PREFIXES else ("eq", text)
    try:
        want = span(rest)
    except ValueError:
        raise SearchRefused(
            "value",
            name,
            f"{name}: write a date such as 2026-03-29, or a time with its zone such as 2026-03-29T07:00:00+01:00 "
            f"(its + as %2B), behind one of {', '.join(_PREFIXES)} or none.",
        ) from None
    return Asked(prefix, _widened(want, now) if prefix == "ap" else want)


def _widened(want: Span, now: datetime) -> Span:
    """By a tenth of the time between then and now (search.html#prefix, 'ap')."""
    by = abs(now - want.start) / _TENTH
    return Span(
        want.start - by if want.start - _FIRST > by else _FIRST,
        want.end + by if _LAST - want.end > by else _LAST,
    )
