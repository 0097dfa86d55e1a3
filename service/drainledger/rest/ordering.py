"""The order of `_sort` (R4 search.html#sort): what each kind of parameter's values are compared by.

Of several values the least counts where the least comes first, and the greatest where the greatest does; of a period
its beginning or its end likewise. What has no value comes last.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, Final, TypeAlias

Key: TypeAlias = datetime | Decimal | str

_FIRST: Final = datetime.min.replace(tzinfo=UTC)
_LAST: Final = datetime.max.replace(tzinfo=UTC)
_DATE: Final = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?")


def sort_key(kind: str, values: Sequence[Any], *, descending: bool) -> Key | None:
    """`kind` is the parameter's type, `values` what its expression gives; None where there is nothing to compare by."""
    keys = [key for value in values for key in _keys(kind, value, descending)]
    found: Key | None = (max if descending else min)(keys, default=None)
    return found


def _keys(kind: str, value: Any, descending: bool) -> Iterator[Any]:
    match kind:
        case "date":
            yield from _instants(value, descending)
        case "quantity" | "number":
            number = value.get("value") if isinstance(value, dict) else value
            if number is not None:
                yield Decimal(number)
        case "reference":
            if isinstance(value, dict) and "reference" in value:
                yield value["reference"]
        case _:
            yield from _texts(value)


def _instants(value: Any, descending: bool) -> Iterator[datetime]:
    if isinstance(value, str):
        yield instant(value, last=descending)
    elif isinstance(value, dict) and ("start" in value or "end" in value):
        edge = value.get("end" if descending else "start")
        yield instant(edge, last=descending) if edge is not None else (_LAST if descending else _FIRST)


def instant(text: str, *, last: bool) -> datetime:
    """The first or last instant of a FHIR date, dateTime or instant; a date is taken in UTC."""
    partial = _DATE.fullmatch(text)
    if partial is None:
        found = datetime.fromisoformat(text)
        return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
    year, month, day = (None if piece is None else int(piece) for piece in partial.groups())
    assert year is not None
    begin = datetime(year, month or 1, day or 1, tzinfo=UTC)
    if not last:
        return begin
    if day is not None:
        return begin + timedelta(days=1, microseconds=-1)
    years, months = divmod(12 * year + (12 if month is None else month), 12)
    return datetime(years, months + 1, 1, tzinfo=UTC) - timedelta(microseconds=1)


def _texts(value: Any) -> Iterator[str]:
    """Of what is coded the code, then the system; else the text itself."""
    if isinstance(value, str):
        yield value.casefold()
    elif isinstance(value, bool):
        yield str(value).lower()
    elif isinstance(value, dict):
        for coding in value.get("coding", (value,)):
            told = coding.get("code") or coding.get("value")
            if told is not None:
                yield f"{told}|{coding.get('system', '')}"
