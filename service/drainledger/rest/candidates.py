"""What may match a query, and whether it does: the query's hints narrow the scan, and each resource is tested."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final, TypeAlias

from drainledger.fhir.resource import Fhir
from drainledger.rest.asking import Has, Query
from drainledger.rest.ordering import Key, sort_key
from drainledger.rest.references import r4_name, referred
from drainledger.rest.sieve import Sieve
from drainledger.rest.stored import Position, Source, Stored, Wanted
from drainledger.rest.too_costly import TooCostly
from drainledger.store.read import Read

Json: TypeAlias = dict[str, Any]
Match: TypeAlias = tuple[Position, Stored, Json]

#: Resources that are looked at to tell what others refer to.
REFERRING: Final = 200_000


class Candidates:
    """Of one query at one horizon."""

    def __init__(
        self, sources: Mapping[str, Source], read: Read, query: Query, fhir: Fhir, horizon: int
    ) -> None:
        self._sources = sources
        self._read = read
        self._query = query
        self._fhir = fhir
        self._horizon = horizon
        self._type = r4_name(fhir, query.type)
        self._sieve = Sieve(query)
        self._referred: dict[int, frozenset[str]] = {}

    def walk(self, after: Position | None, most: int, *, patients: Collection[str] | None = None) -> Walk:
        """The matches; `patients` narrow as the query's own do."""
        found = self._sources[self._type].scan(self._read, self._wanted(patients), self._horizon, after)
        return Walk(found, self, most)

    def these(self, ids: Sequence[str]) -> list[Stored]:
        """In the order of the ids."""
        found = self._sources[self._type].current(self._read, self._type, ids, self._horizon)
        return [found[id] for id in ids]

    def matched(self, stored: Stored) -> Json | None:
        """The resource, None where it does not match."""
        if not self._sieve.may_match(stored.body):
            return None
        resource = stored.resource(self._fhir)
        if not self._query.matches(resource):
            return None
        is_found = all(self._is_referred(place, has, stored) for place, has in enumerate(self._query.has))
        return resource if is_found else None

    def sort_keys(self, resource: Json) -> tuple[Key | None, ...]:
        return tuple(
            sort_key(key.parameter.kind, key.parameter.values(resource), descending=key.descending)
            for key in self._query.sort
        )

    def _wanted(self, patients: Collection[str] | None) -> Wanted:
        query = self._query
        own = query.wanted_patients()
        if own is not None:
            patients = own if patients is None else set(own) & set(patients)
        return Wanted(
            types=frozenset({self._type}),
            ids=_frozen(query.wanted_ids()),
            patients=_frozen(patients),
            codes=_frozen(query.wanted_codes()),
            since=query.since_updated(),
        )

    # What others say of it

    def _is_referred(self, place: int, has: Has, stored: Stored) -> bool:
        """Of a Patient alone what is said of that patient is looked at; else what is said of anything, once."""
        if stored.type == "Patient":
            return any(stored.reference in each for each in self._references(has, [stored.id]))
        if place not in self._referred:
            self._referred[place] = frozenset().union(*self._references(has, None))
        return stored.reference in self._referred[place]

    def _references(self, has: Has, patients: Collection[str] | None) -> Iterator[frozenset[str]]:
        inner = Candidates(self._sources, self._read, has.query, self._fhir, self._horizon)
        walk = inner.walk(None, REFERRING, patients=patients)
        for _, _, resource in walk:
            yield frozenset(referred(self._fhir, has.parameter.values(resource)))
        if walk.is_cut:
            raise TooCostly("A search by _has among so many resources", "a narrower one behind _has")


class Walk:
    """Iterates over the matches, the newest first, until `most` resources were looked at: then `is_cut`. `last` is the
    position of what was looked at last."""

    def __init__(self, found: Iterator[tuple[Position, Stored]], candidates: Candidates, most: int) -> None:
        self.last: Position | None = None
        self.is_cut = False
        self._found = found
        self._candidates = candidates
        self._left = most

    def __iter__(self) -> Iterator[Match]:
        for position, stored in self._found:
            if not self._left:
                self.is_cut = True
                return
            self._left -= 1
            self.last = position
            resource = self._candidates.matched(stored)
            if resource is not None:
                yield position, stored, resource


def _frozen(hint: Collection[str] | None) -> frozenset[str] | None:
    return None if hint is None else frozenset(hint)
