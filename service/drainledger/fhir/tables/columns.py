"""What a column is: where it stands in an Observation, by a FHIRPath for others and by a function for this program.

The two say the same; a test runs both over the same resources.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, Literal, TypeAlias

from msgspec import Struct

Json: TypeAlias = dict[str, Any]
Cell: TypeAlias = str | Decimal | datetime | None
Row: TypeAlias = dict[str, Cell]

#: decimal: as written; instant: a time with an offset; offset: `+01:00` or `Z`; text: anything.
Kind = Literal["text", "decimal", "instant", "offset"]

UNCERTAINTY: Final = "http://hl7.org/fhir/StructureDefinition/iso21090-uncertainty"
_BEFORE_OFFSET: Final = r"^.*T[0-9:.]*"


class Column(Struct, frozen=True):
    """`path` is relative to the Observation; `%local` is the local code system. `pick` gives the same from the decoded
    resource (numbers: int or Decimal). `unit` is UCUM, "" for none."""

    name: str
    kind: Kind
    meaning: str
    path: str
    pick: Callable[[Json], Cell]
    unit: str = ""


class Table(Struct, frozen=True, kw_only=True):
    """A table over the Observations of these local codes. `loinc` is a LOINC code that they bear as well.

    An Observation is a row. `time` is the column by which a period is cut: (since, until].
    """

    name: str
    title: str
    codes: tuple[str, ...]
    columns: tuple[Column, ...]
    time: str
    loinc: str = ""


def number(value: int | Decimal | None) -> Decimal | None:
    return None if value is None else Decimal(value)


def instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def offset(text: str | None) -> str | None:
    """`+01:00` or `Z`, as the time was written."""
    return None if text is None else re.sub(_BEFORE_OFFSET, "", text)


def last(reference: Json | None) -> str | None:
    """The id in a reference."""
    found = (reference or {}).get("reference")
    return None if found is None else re.sub("^.*/", "", found)


def time_columns(
    name: str, meaning: str, path: str, pick: Callable[[Json], str | None]
) -> tuple[Column, Column]:
    """An instant, and beside it the offset of the ward's clock."""
    return (
        Column(name, "instant", meaning, path, lambda one: instant(pick(one))),
        Column(
            f"{name}_offset",
            "offset",
            f"offset of the ward's clock at `{name}`",
            f"{path}.toString().replaceMatches('{_BEFORE_OFFSET}', '')",
            lambda one: offset(pick(one)),
        ),
    )


def period_columns(first: str, second: str, told: tuple[str, str]) -> tuple[Column, ...]:
    """The two ends of an Observation's effectivePeriod."""
    return (*_end_columns(first, "start", told[0]), *_end_columns(second, "end", told[1]))


def _end_columns(name: str, end: str, meaning: str) -> tuple[Column, Column]:
    return time_columns(
        name, meaning, f"effective.ofType(Period).{end}", lambda one: one["effectivePeriod"].get(end)
    )


def component(one: Json, code: str) -> Json:
    """The component of a local code, {} where there is none."""
    return next(
        (
            part
            for part in one.get("component", ())
            if any(coding["code"] == code for coding in part["code"].get("coding", ()))
        ),
        {},
    )


def quantity(one: Json) -> Json:
    found: Json = one.get("valueQuantity", {})
    return found
