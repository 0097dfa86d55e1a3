"""Times to UTC, dates, durations and time zones (DESIGN 3 'Times'; RFC 3339; FHIR data type date)."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from functools import cache, lru_cache
from typing import Any, Final
from zoneinfo import ZoneInfo, available_timezones

from drainledger.domain.validation.context import CLOCK_SKEW, Context, remember
from drainledger.domain.validation.texts import closest, type_name

_DAY: Final = r"([0-9]{4})-([0-9]{2})-([0-9]{2})"
_CLOCK: Final = r"([0-9]{2}):([0-9]{2})(?::([0-9]{2})(?:\.[0-9]{1,9})?)?"
_OFFSET: Final = r"(Z|z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00)"
_TIME: Final = re.compile(f"{_DAY}[Tt ]{_CLOCK}{_OFFSET}")
_NAIVE: Final = re.compile(f"{_DAY}(?:[Tt ]{_CLOCK})?")
FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2199

_DATE: Final = re.compile(r"([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?")
_DURATION: Final = re.compile(
    r"P(?:([0-9]{1,3})W|(?:([0-9]{1,3})D)?(?:T(?:([0-9]{1,4})H)?(?:([0-9]{1,5})M)?(?:([0-9]{1,6})S)?)?)"
)
_LONGEST_DURATION: Final = timedelta(days=31)
_LONGEST_ZONE: Final = 64
#: In the database, or beside it on some machines, and no zone of any ward.
_NO_PLACE: Final = ("Factory", "localtime", "posixrules")
#: Copies of the database that some machines hold beside it: "right/" counts leap seconds, which no chart does.
_OTHER_CLOCKS: Final = ("posix/", "right/")


def instant(ctx: Context, raw: Any, path: str) -> datetime | None:
    """An instant in UTC. Held: not RFC 3339, no offset, no such day or hour, over 10 minutes after receipt."""
    known = ctx.memory.instants
    at = known.get(raw) if type(raw) is str else None
    if at is None:
        at = _new_instant(ctx, raw, path)
        if at is None:
            return None
        remember(known, raw, at)
    if ctx.latest is not None and at > ctx.latest:
        ctx.hold("future-time", path, minutes=CLOCK_SKEW // timedelta(minutes=1))
    return at


def _new_instant(ctx: Context, raw: Any, path: str) -> datetime | None:
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="a time as text", found=type_name(raw))
        return None
    parts = _TIME.fullmatch(raw)
    if parts is None:
        without_zone = _NAIVE.fullmatch(raw) is not None
        ctx.hold(
            "time-without-zone" if without_zone else "bad-time", path, example="2026-03-02T07:00:00+00:00"
        )
        return None
    fault = _impossible(*(int(part or 0) for part in parts.groups()[:6]))
    if fault is not None:
        ctx.hold("no-such-time", path, reason=fault)
        return None
    at = datetime.fromisoformat(raw.upper())
    if not FIRST_YEAR <= at.year <= LAST_YEAR:
        ctx.hold("time-out-of-range", path, year=at.year)
        return None
    return at.astimezone(UTC)


def _impossible(year: int, month: int, day: int, hour: int, minute: int, second: int) -> str | None:
    """Why there is no such instant, in words, or None. Written out, since Python's own readers differ by version."""
    if hour == 24 and minute == second == 0:
        return "there is no hour 24, midnight is 00:00 of the next day"
    if second == 60:
        return "leap seconds are not charted"
    if hour > 23 or minute > 59 or second > 59:
        return f"a day has no {hour:02}:{minute:02}:{second:02}"
    if not 1 <= month <= 12:
        return f"there is no month {month:02}"
    return None if _is_day(year, month, day) else f"{year:04}-{month:02} has no day {day:02}"


def _is_day(year: int, month: int, day: int) -> bool:
    try:
        date(year, month, day)
    except ValueError:
        return False
    return True


def partial_date(ctx: Context, raw: Any, path: str) -> str | None:
    """A FHIR date of the precision it came with: 2028, 2028-01 or 2028-01-31."""
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="a date as text", found=type_name(raw))
        return None
    parts = _DATE.fullmatch(raw)
    if parts is None or not _is_day(int(parts[1]), int(parts[2] or 1), int(parts[3] or 1)):
        ctx.hold("bad-date", path)
        return None
    return raw


def duration(ctx: Context, raw: Any, path: str) -> timedelta | None:
    """An ISO 8601 duration of weeks, or of days, hours, minutes and seconds; above zero, at most 31 days."""
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="a length of time as text", found=type_name(raw))
        return None
    parts = _DURATION.fullmatch(raw)
    length = timedelta(0)
    if parts is not None and not raw.endswith("T"):
        weeks, days, hours, minutes, seconds = (int(part or 0) for part in parts.groups())
        length = timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)
    if not timedelta(0) < length <= _LONGEST_DURATION:
        ctx.hold("bad-duration", path, days=_LONGEST_DURATION.days)
        return None
    return length


def time_zone(ctx: Context, raw: Any, path: str) -> str | None:
    """The name of a zone of the IANA time zone database."""
    if not isinstance(raw, str):
        ctx.hold("wrong-type", path, wanted="the name of a time zone", found=type_name(raw))
    elif not raw.strip():
        ctx.hold("empty-text", path)
    elif not _is_zone(raw[: _LONGEST_ZONE + 1]):
        near = closest(raw, _zones(), likeness=0.85)
        ctx.hold("unknown-zone", path, closest=near)
    else:
        return raw
    return None


@cache
def _zones() -> tuple[str, ...]:
    """Those of the IANA database that may be offered, and nothing that lies beside it on this machine."""
    return tuple(sorted(name for name in available_timezones() if not _is_no_place(name)))


def _is_no_place(name: str) -> bool:
    return name in _NO_PLACE or name.startswith(_OTHER_CLOCKS)


@lru_cache(maxsize=1024)
def _is_zone(name: str) -> bool:
    if len(name) > _LONGEST_ZONE or _is_no_place(name):
        return False
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # not there, a path out of the database, a directory of it
        return False
    return True
