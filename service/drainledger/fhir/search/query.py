"""A search that was understood: clauses that all must hold, and what is to be done with what they find."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from msgspec import Struct

from drainledger.fhir.search import dates, references, tokens
from drainledger.fhir.search.parameters import Parameter

Json = Mapping[str, Any]
Total = Literal["none", "estimate", "accurate"]
#: How each id begins that is made here (drainledger.fhir.ids), and what the whole of a Patient's is.
_MADE_HERE: Final = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_INSTANT: Final = timedelta(microseconds=1)


class Clause(Struct, frozen=True, kw_only=True):
    """One parameter: any of `asked` holds of any value, which `holds` tells. `modifier` as it was written, None
    without; `look` gives the values that are looked at."""

    parameter: Parameter
    modifier: str | None
    asked: Sequence[Any]
    holds: Callable[[Any], bool]
    look: Callable[[Json], Sequence[Any]]

    def matches(self, resource: Json) -> bool:
        values = self.look(resource)
        if self.modifier == "missing":
            return bool(values) is not self.asked[0]
        found = any(self.holds(value) for value in values)
        return not found if self.modifier == "not" else found

    @property
    def is_plain(self) -> bool:
        """Whether only resources that have one of `asked` match."""
        return self.modifier is None or self.modifier in self.parameter.targets


class SortKey(Struct, frozen=True):
    parameter: Parameter
    descending: bool


class Include(Struct, frozen=True):
    """`_include` or `_revinclude`: what `parameter` of resources of `type` refers to. `target` narrows to a type."""

    type: str
    parameter: Parameter
    target: str | None
    iterate: bool


class Has(Struct, frozen=True):
    """`_has`: resources that `query` finds refer, by `parameter`, to the one that is tested."""

    parameter: Parameter
    query: Query


class Query(Struct, frozen=True, kw_only=True):
    """`ignored` are parameters that are not known, `used` what was asked but for those, in its order."""

    type: str
    local: str
    clauses: Sequence[Clause] = ()
    has: Sequence[Has] = ()
    includes: Sequence[Include] = ()
    revincludes: Sequence[Include] = ()
    sort: Sequence[SortKey] = ()
    count: int
    total: Total = "none"
    summary: str | None = None
    elements: Sequence[str] = ()
    ignored: Sequence[str] = ()
    used: Sequence[tuple[str, str]] = ()

    def matches(self, resource: Json) -> bool:
        """Whether all clauses but those of `has` hold."""
        return all(clause.matches(resource) for clause in self.clauses)

    @property
    def names_people(self) -> bool:
        """Whether what was asked for may be a patient's number, so that no URL may hold it: also one that stands, by
        mistake, where the id of a Patient belongs."""
        return any(has.query.names_people for has in self.has) or any(map(self._names_people, self.clauses))

    def _names_people(self, clause: Clause) -> bool:
        if clause.modifier == "identifier" or clause.parameter.name == "identifier":
            return True
        if clause.modifier == "missing":
            return False
        if clause.parameter.name == "_id" and self.type == "Patient":
            return any(asked.code is None or not _MADE_HERE.fullmatch(asked.code) for asked in clause.asked)
        return clause.parameter.kind == "reference" and any(
            asked.type in (None, "Patient") and not _MADE_HERE.match(asked.id) for asked in clause.asked
        )

    # What narrows; None is any

    def wanted_ids(self) -> Collection[str] | None:
        found = [
            {
                asked.code
                for asked in clause.asked
                if isinstance(asked, tokens.Asked) and asked.code is not None
            }
            for clause in self.clauses
            if clause.parameter.name == "_id" and clause.modifier is None
        ]
        return _common(found)

    def wanted_patients(self) -> Collection[str] | None:
        found = [
            {asked.id for asked in clause.asked if isinstance(asked, references.Asked)}
            for clause in self.clauses
            if "Patient" in clause.parameter.targets
            and clause.parameter.name in ("patient", "subject")
            and clause.is_plain
        ]
        return _common(found)

    def wanted_codes(self) -> Collection[str] | None:
        """Of the project's own codes alone, which the store knows of each resource."""
        if self.type not in ("Observation", "DetectedIssue"):
            return None
        found: list[set[str]] = []
        for clause in self.clauses:
            if clause.parameter.name != "code" or clause.modifier is not None:
                continue
            if all(asked.system == self.local and asked.code is not None for asked in clause.asked):
                found.append({asked.code for asked in clause.asked})
        return _common(found)

    def since_updated(self) -> datetime | None:
        """What matches was written after it."""
        found = [
            earliest
            for clause in self.clauses
            if clause.parameter.name == "_lastUpdated" and clause.modifier is None
            if (earliest := _earliest(clause.asked)) is not None
        ]
        return max(found) - _INSTANT if found else None


def _earliest(asked: Sequence[Any]) -> datetime | None:
    """Nothing that any of them finds is before it."""
    each = [one.earliest() for one in asked if isinstance(one, dates.Asked)]
    known = [one for one in each if one is not None]
    return min(known) if len(known) == len(each) else None


def _common(found: Sequence[set[str]]) -> set[str] | None:
    return set.intersection(*found) if found else None
