"""Searches judged without the service: what the specification's pages say of values, written down once more.

Values come from `fhirpath` (npm) by the official expressions; here stands whether a value is what was asked for. From
R4 search.html, sections date, token, reference, quantity, string, uri, prefix, modifiers.
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

Json = dict[str, Any]

#: In mL (BIPM SI Brochure, 9th edition, table 8: 1 L = 1 dm3) and cm[H2O] (NIST SP 811, B.8: 98.0665 Pa).
_IN = {
    "mL": ("mL", Decimal(1)),
    "L": ("mL", Decimal(1000)),
    "cm[H2O]": ("cm[H2O]", Decimal(1)),
    "Pa": ("cm[H2O]", 1 / Decimal("98.0665")),
}
_EARLY, _LATE = datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC)


def holds(kind: str, asked: str, values: list[Any], modifier: str = "") -> bool:
    """Whether one parameter holds of a resource that has these values; `asked` is as in the URL, commas and all."""
    if modifier == "missing":
        return (not values) is (asked == "true")
    judge = {
        "token": _token,
        "date": _date,
        "reference": _reference,
        "quantity": _quantity,
        "string": _string,
        "uri": _uri,
    }[kind]
    found = any(judge(one, value, modifier) for one in asked.split(",") for value in values)
    return not found if modifier == "not" else found


# Dates


def edges(text: str) -> tuple[datetime, datetime]:
    """The first instant, and the first after the last."""
    if len(text) == 4:
        return datetime(int(text), 1, 1, tzinfo=UTC), datetime(int(text) + 1, 1, 1, tzinfo=UTC)
    if len(text) == 7:
        year, month = map(int, text.split("-"))
        first = datetime(year, month, 1, tzinfo=UTC)
        return first, first + timedelta(days=monthrange(year, month)[1])
    if len(text) == 10:
        first = datetime.fromisoformat(text).replace(tzinfo=UTC)
        return first, first + timedelta(days=1)
    first = datetime.fromisoformat(text)
    first = first if first.tzinfo else first.replace(tzinfo=UTC)
    if re.fullmatch(r".{10}T\d\d:\d\d(Z|[+-].*)?", text):
        return first, first + timedelta(minutes=1)
    fraction = re.search(r"\.(\d+)", text)
    return first, first + timedelta(seconds=1 if fraction is None else 10 ** -min(6, len(fraction[1])))


def _range(value: Any) -> tuple[datetime, datetime]:
    if isinstance(value, str):
        return edges(value)
    return (
        edges(value["start"])[0] if "start" in value else _EARLY,
        edges(value["end"])[1] if "end" in value else _LATE,
    )


def _date(asked: str, value: Any, modifier: str) -> bool:
    prefix = asked[:2] if asked[:2].isalpha() else "eq"
    want_first, want_end = edges(asked.removeprefix(prefix))
    first, end = _range(value)
    inside = want_first <= first and end <= want_end
    return {
        "eq": inside,
        "ne": not inside,
        "gt": end > want_end,
        "ge": end > want_end or inside,
        "lt": first < want_first,
        "le": first < want_first or inside,
        "sa": first >= want_end,
        "eb": end <= want_first,
    }[prefix]


# Tokens


def _token(asked: str, value: Any, modifier: str) -> bool:
    if isinstance(value, str):
        return asked == value
    codings = value.get("coding", [value])
    return any(_coded(asked, each.get("system"), each.get("code", each.get("value"))) for each in codings)


def _coded(asked: str, system: str | None, code: str | None) -> bool:
    if "|" not in asked:
        return asked == code
    wanted, _, wanted_code = asked.partition("|")
    return (wanted or None) == system and wanted_code in ("", code)


# References, quantities, texts


def _reference(asked: str, value: Any, modifier: str) -> bool:
    if modifier == "identifier":
        identifier = value.get("identifier", {})
        return _coded(asked, identifier.get("system"), identifier.get("value"))
    literal: str = value.get("reference", "").partition("/_history/")[0]
    wanted = asked.partition("/fhir/R4/")[2] or asked
    if not literal:
        return False
    if modifier and "/" not in wanted:
        wanted = f"{modifier}/{wanted}"
    return literal == wanted if "/" in wanted else literal.endswith(f"/{wanted}")


def _quantity(asked: str, value: Any, modifier: str) -> bool:
    prefix = asked[:2] if asked[:2].isalpha() else "eq"
    number, *unit = asked.removeprefix(prefix).split("|")
    want = Decimal(number)
    half = Decimal(1).scaleb(want.as_tuple().exponent) / 2  # type: ignore[arg-type]  # a finite number
    low = Decimal(str(value["value"]))
    if unit:
        asked_kind, asked_factor = _IN[unit[1]]
        kind, factor = _IN.get(value.get("code", ""), ("", Decimal(0)))
        if kind != asked_kind:
            return False
        low = low * factor / asked_factor
    open_ended = value.get("comparator") in (">", ">=")
    inside = want - half <= low < want + half and not open_ended
    return {
        "eq": inside,
        "ne": not inside,
        "gt": open_ended or low > want,
        "ge": open_ended or low >= want,
        "lt": low < want,
        "le": low <= want,
        "sa": low > want,
        "eb": low < want and not open_ended,
    }[prefix]


def _uri(asked: str, value: Any, modifier: str) -> bool:
    return bool(asked == value)


def _string(asked: str, value: str, modifier: str) -> bool:
    if modifier == "exact":
        return asked == value
    if modifier == "contains":
        return asked.lower() in value.lower()
    return value.lower().startswith(asked.lower())
