"""The times of an Observation (R4 datatypes.html#dateTime): always an instant with its zone."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Final

from drainledger.fhir.reading.seen import Seen

_INSTANT: Final = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(Z|[+-][0-9]{2}:[0-9]{2})"
)
_DAY: Final = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?")


#: The one code that may leave its time to its members.
PANEL: Final = "drain-panel"


def read_times(seen: Seen, *, amount: bool) -> None:
    """`at`, `begun` where an amount has a period, and when it was charted."""
    path, resource = f"{seen.path}.effective", seen.resource
    stated = [
        name for name in ("effectiveDateTime", "effectiveInstant", "effectivePeriod") if name in resource
    ]
    if len(stated) > 1:
        seen.notes.refuse(path, "structure", "An Observation has one effective time.")
    elif stated == ["effectivePeriod"]:
        _read_period(seen, path, amount=amount)
    elif stated:
        seen.at = _instant(seen, resource[stated[0]], path)
        seen.places["/at"] = path
    elif seen.code != PANEL:
        seen.notes.refuse(path, "required", "Say when it was read (effectiveDateTime).")
    if "issued" in resource:
        seen.recorded_at = _instant(seen, resource["issued"], f"{seen.path}.issued")
        seen.places["/recorded_at"] = f"{seen.path}.issued"


def _read_period(seen: Seen, path: str, *, amount: bool) -> None:
    period = seen.notes.object(seen.resource, "effectivePeriod", seen.path)
    if period is None:
        return
    for name in period.keys() - {"start", "end", "id"}:
        seen.notes.warn(
            path,
            "What extends a period is not kept."
            if name.startswith("_") or name == "extension"
            else "A Period has an element here that FHIR does not know; it is not kept.",
        )
    if period.get("end") is None:
        seen.notes.refuse(
            f"{path}.end", "required", "The period has no end, so it can't be told when it was read."
        )
        return
    seen.at = _instant(seen, period["end"], f"{path}.end")
    seen.places["/at"] = f"{path}.end"
    if period.get("start") is None:
        return
    start = _instant(seen, period["start"], f"{path}.start")
    if amount:
        seen.begun = start
        seen.places["/from"] = f"{path}.start"
    elif not same_instant(start, seen.at):
        seen.notes.refuse(
            path,
            "business-rule",
            "This was seen at one instant: send effectiveDateTime. Only an amount has a period.",
        )


def _instant(seen: Seen, raw: object, path: str) -> str | None:
    if isinstance(raw, str) and _INSTANT.fullmatch(raw):
        return raw
    if isinstance(raw, str) and _DAY.fullmatch(raw):
        text = "This names a day or more, and a reading needs its hour. Say when it was read, with the offset from UTC."
    else:
        text = "This is no time as 2026-03-02T07:00:00+00:00 is one: date, hour, seconds and the offset from UTC."
    seen.notes.refuse(path, "value", text)
    return None


def same_instant(one: str | None, other: str | None) -> bool:
    """Whether two times, as written, are one instant; what can't be read is judged by those who read the record."""
    if one is None or other is None or one == other:
        return True
    try:
        return datetime.fromisoformat(one) == datetime.fromisoformat(other)
    except ValueError:
        return True
