"""`$lastn`: of each code the latest (R4 observation-operation-lastn.html).

Observations whose codes share a coding are of one code, also by way of a third. Of several at one instant none is left
out for another.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final, TypeAlias

from msgspec import Struct

from drainledger.rest.ordering import sort_key
from drainledger.rest.stored import Stored

Json: TypeAlias = dict[str, Any]
Coded: TypeAlias = tuple[str, str]

_EFFECTIVE: Final = ("effectiveDateTime", "effectivePeriod", "effectiveInstant")


class Seen(Struct, frozen=True):
    """What of an Observation decides: its codes, or its text where it has none, and when it was made or ended."""

    id: str
    codes: tuple[Coded, ...]
    at: datetime | None


def seen(stored: Stored, resource: Json) -> Seen:
    code = resource.get("code", {})
    codes = tuple(
        (coding.get("system", ""), coding["code"]) for coding in code.get("coding", ()) if "code" in coding
    )
    values = [resource[name] for name in _EFFECTIVE if name in resource]
    at = sort_key("date", values, descending=True)
    assert at is None or isinstance(at, datetime)
    return Seen(stored.id, codes or (("text", code.get("text", "")),), at)


def last_of_each(found: Sequence[Seen], most: int) -> list[str]:
    """Ids, by code, of each the latest `most` and those of the same instant as the last of them; the latest first."""
    same = _Same()
    for one in found:
        same.join(one.codes)
    groups: dict[Coded, list[Seen]] = {}
    for one in found:
        groups.setdefault(same.of(one.codes[0]), []).append(one)
    return [id for group in groups.values() for id in _latest(group, most)]


class _Same:
    """Codes that are the same, by what was said of them two and two."""

    def __init__(self) -> None:
        self._parent: dict[Coded, Coded] = {}

    def of(self, code: Coded) -> Coded:
        """The one that stands for all that are the same as this."""
        while (parent := self._parent.get(code, code)) != code:
            code = parent
        return code

    def join(self, codes: Sequence[Coded]) -> None:
        for code in codes[1:]:
            one, other = self.of(codes[0]), self.of(code)
            if one != other:
                self._parent[other] = one


def _latest(group: Sequence[Seen], most: int) -> list[str]:
    dated = sorted((each for each in group if each.at is not None), key=_instant, reverse=True)
    undated = [each for each in group if each.at is None]
    kept = dated[:most]
    kept += [each for each in dated[most:] if kept and each.at == kept[-1].at]
    return [each.id for each in kept + undated[: max(0, most - len(kept))]]


def _instant(one: Seen) -> datetime:
    assert one.at is not None
    return one.at
