"""What comes along with the matches: `_include` and `_revinclude` (R4 search.html#include), each once.

They stand as things stood at the search's horizon, as the matches do. What refers to anything but a patient is found by
looking through all of its type: where that is too much, the search is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, TypeAlias

from drainledger.fhir.resource import Fhir
from drainledger.rest.asking import Include, Query
from drainledger.rest.references import r4_name, referred
from drainledger.rest.stored import Source, Stored, Wanted
from drainledger.rest.too_costly import TooCostly
from drainledger.store.read import Read

Json: TypeAlias = dict[str, Any]

#: Resources that come along with one page.
MOST: Final = 5_000
#: Resources that are looked at for those that refer to a page's, or to what came along with it.
REFERRING: Final = 500_000
#: What may be the id in a reference: it stands behind a slash (`Device/x`, `https://h/Device/x/_history/2`).
_REFERRED: Final = re.compile(rb"/([A-Za-z0-9.-]+)")
#: How often what came along may bring more.
_ROUNDS: Final = 6


class Companions:
    """Of one query at one horizon. `may` says of which types, by R4's names, resources may come along."""

    def __init__(
        self,
        sources: Mapping[str, Source],
        read: Read,
        query: Query,
        fhir: Fhir,
        horizon: int,
        may: Callable[[str], bool],
    ) -> None:
        self._sources = sources
        self._read = read
        self._query = query
        self._fhir = fhir
        self._horizon = horizon
        self._may = may
        self._looked_at = 0

    def of(self, matches: Sequence[Stored]) -> list[Stored]:
        """In the order in which they are found. Raises TooCostly."""
        known = {each.reference for each in matches}
        found: list[Stored] = []
        fresh, rounds = list(matches), 0
        while fresh and rounds < _ROUNDS:
            start = len(found)
            for each in self._next(fresh, is_first=not rounds):
                if each.reference in known:
                    continue
                known.add(each.reference)
                found.append(each)
                if len(found) > MOST:
                    raise TooCostly(f"More than {MOST} resources along with the matches", "a smaller _count")
            fresh = found[start:]
            rounds += 1
        return found

    def _next(self, fresh: Sequence[Stored], *, is_first: bool) -> Iterator[Stored]:
        """With the matches all comes that is asked for; with what came along only what is asked for again (iterate)."""
        query = self._query
        yield from self._included(fresh, [each for each in query.includes if is_first or each.iterate])
        for include in query.revincludes:
            if is_first or include.iterate:
                yield from self._referring(fresh, include)

    def _included(self, fresh: Sequence[Stored], includes: Sequence[Include]) -> Iterator[Stored]:
        wanted: dict[str, dict[str, None]] = {}
        for stored in fresh if includes else ():
            resource = stored.resource(self._fhir)
            for include in includes:
                if r4_name(self._fhir, include.type) == stored.type:
                    for reference in self._targets(include, resource):
                        type_, _, id = reference.partition("/")
                        wanted.setdefault(type_, {})[id] = None
        for type_, ids in wanted.items():
            if type_ in self._sources and self._may(type_):
                there = self._sources[type_].current(self._read, type_, list(ids), self._horizon)
                yield from (there[id] for id in ids if id in there)

    def _targets(self, include: Include, resource: Json) -> Iterable[str]:
        found = referred(self._fhir, include.parameter.values(resource))
        if include.target is None:
            return found
        begins = f"{r4_name(self._fhir, include.target)}/"
        return (each for each in found if each.startswith(begins))

    def _referring(self, fresh: Sequence[Stored], include: Include) -> Iterator[Stored]:
        type_ = r4_name(self._fhir, include.type)
        targets = {each.reference for each in fresh if self._fits(each, include)}
        if not targets or not self._may(type_):
            return
        wanted = Wanted(types=frozenset({type_}), patients=_patients(fresh), targets=_about(include, targets))
        named = {each.partition("/")[2].encode() for each in targets}
        for _, stored in self._sources[type_].scan(self._read, wanted, self._horizon):
            self._looked_at += 1
            if self._looked_at > REFERRING:
                raise TooCostly("Who refers to these among so many resources", "what they refer to instead")
            if named.isdisjoint(_REFERRED.findall(stored.body)):
                continue
            resource = stored.resource(self._fhir)
            if not targets.isdisjoint(referred(self._fhir, include.parameter.values(resource))):
                yield stored

    def _fits(self, stored: Stored, include: Include) -> bool:
        return include.target is None or r4_name(self._fhir, include.target) == stored.type


def _patients(fresh: Sequence[Stored]) -> frozenset[str] | None:
    """Of what refers to patients, whose it is stands in the store."""
    ids = [each.id for each in fresh if each.type == "Patient"]
    return frozenset(ids) if len(ids) == len(fresh) else None


def _about(include: Include, targets: set[str]) -> frozenset[str] | None:
    """What a Provenance is about can be asked of the store; who took part in it can't."""
    return frozenset(targets) if (include.type, include.parameter.name) == ("Provenance", "target") else None
