"""Searches: which resources match, in which order, which come along, a page at a time (R4 search.html).

The first page fixes a horizon, and every page of a search reads things as they stood then: what is written between two
pages moves nothing. Work is bounded: a page that has looked at very many resources ends early, and what would need more
than that as a whole (a total, an order) is refused as too costly.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, TypeAlias

from msgspec import Struct

from drainledger.fhir.resource import Fhir
from drainledger.intake.folds import Folds
from drainledger.rest.asking import Query
from drainledger.rest.candidates import Candidates, Match
from drainledger.rest.companions import Companions
from drainledger.rest.lastn import last_of_each, seen
from drainledger.rest.ordering import Key
from drainledger.rest.stored import Position, Source, Stored
from drainledger.rest.too_costly import TooCostly
from drainledger.store.read import Read
from drainledger.store.store import Store

Json: TypeAlias = dict[str, Any]

#: Resources that one page looks at before it ends early.
EXAMINED: Final = 50_000
#: Resources that are looked at for a total, and matches that are put in an order.
COUNTED: Final = 1_000_000
SORTED: Final = 50_000


class Mark(Struct, frozen=True, kw_only=True):
    """Where a page begins: behind `after`, or at the match of number `offset` where they are sorted. `horizon` is the
    seq that the search speaks of; `total` what the first page counted."""

    horizon: int
    after: Position | None = None
    offset: int = 0
    total: int | None = None


class Page(Struct, frozen=True, kw_only=True):
    """`included` came along. `next` is where the next page begins, None at the end; `total` is None where nobody
    counted."""

    matches: Sequence[Stored]
    included: Sequence[Stored]
    start: Mark
    next: Mark | None
    total: int | None


class Engine:
    """Thread-safe. `sources` are those of `Rest`."""

    def __init__(self, store: Store, sources: Mapping[str, Source]) -> None:
        self._store = store
        self._sources = sources
        self._folds = Folds()

    def page(
        self, tenant: str, query: Query, fhir: Fhir, start: Mark | None, may: Callable[[str], bool]
    ) -> Page:
        """The first page, or the one that begins at `start`. `may` says of which types, by R4's names, resources may
        come along. Raises TooCostly, and TooManyReads where the tenant's other searches take all that it may have."""
        return self._looked(tenant, query, lambda read: self._page(read, query, fhir, start, may))

    def last_of_each(self, tenant: str, query: Query, fhir: Fhir, most: int) -> Page:
        """Of the matches, which are Observations, the latest `most` of each code, all on one page. Raises as `page`."""
        return self._looked(tenant, query, lambda read: self._last(read, query, fhir, most))

    def _looked(self, tenant: str, query: Query, look: Callable[[Read], Page]) -> Page:
        """What is of few patients or ids is soon done; of the rest few at once."""
        if query.wanted_ids() is not None or query.wanted_patients() is not None:
            with self._store.read(tenant) as read:
                return look(read)
        with self._folds.long(tenant), self._store.read(tenant) as read:
            return look(read)

    def _page(
        self, read: Read, query: Query, fhir: Fhir, start: Mark | None, may: Callable[[str], bool]
    ) -> Page:
        start = start or Mark(horizon=read.last_seq())
        candidates = Candidates(self._sources, read, query, fhir, start.horizon)
        if query.summary == "count" or query.count == 0:
            return Page(matches=(), included=(), start=start, next=None, total=_counted(candidates))
        found = (_sorted if query.sort else _newest)(candidates, query, start)
        companions = Companions(self._sources, read, query, fhir, start.horizon, may)
        return Page(
            matches=found.matches,
            included=companions.of(found.matches),
            start=start,
            next=found.next,
            total=found.total,
        )

    def _last(self, read: Read, query: Query, fhir: Fhir, most: int) -> Page:
        start = Mark(horizon=read.last_seq())
        candidates = Candidates(self._sources, read, query, fhir, start.horizon)
        walk = candidates.walk(None, COUNTED)
        ids = last_of_each([seen(stored, resource) for _, stored, resource in walk], most)
        if walk.is_cut or len(ids) > SORTED:
            raise TooCostly("The last of so many Observations", "those of one patient, and a smaller max")
        matches = [] if query.summary == "count" else candidates.these(ids)
        return Page(matches=matches, included=(), start=start, next=None, total=len(ids))


class _Found(Struct, frozen=True):
    matches: Sequence[Stored]
    next: Mark | None
    total: int | None


def _newest(candidates: Candidates, query: Query, start: Mark) -> _Found:
    matches: list[Match] = []
    walk = candidates.walk(start.after, EXAMINED)
    more = False
    for match in walk:
        if len(matches) == query.count:
            more = True
            break
        matches.append(match)
    total = start.total
    if start.after is None:
        if not (more or walk.is_cut):
            total = len(matches)
        elif query.total != "none":
            total = _counted(candidates)
    next_ = None
    if more or walk.is_cut:
        after = matches[-1][0] if more else walk.last
        next_ = Mark(horizon=start.horizon, after=after, total=total)
    return _Found([stored for _, stored, _ in matches], next_, total)


def _counted(candidates: Candidates) -> int:
    walk = candidates.walk(None, COUNTED)
    counted = sum(1 for _ in walk)
    if walk.is_cut:
        raise TooCostly("A total of so many resources", "_total=none, or a narrower search")
    return counted


def _sorted(candidates: Candidates, query: Query, start: Mark) -> _Found:
    walk = candidates.walk(None, COUNTED)
    rows: list[tuple[tuple[Key | None, ...], str]] = []
    for _, stored, resource in walk:
        rows.append((candidates.sort_keys(resource), stored.id))
        if len(rows) > SORTED:
            break
    if walk.is_cut or len(rows) > SORTED:
        raise TooCostly(
            f"An order of more than {SORTED} matches",
            "no _sort (the newest come first), or narrow the search",
        )
    for place in reversed(range(len(query.sort))):
        _sort_by(rows, place, descending=query.sort[place].descending)
    ids = [id for _, id in rows[start.offset : start.offset + query.count]]
    end = start.offset + len(ids)
    next_ = Mark(horizon=start.horizon, offset=end) if ids and end < len(rows) else None
    return _Found(candidates.these(ids), next_, len(rows))


def _sort_by(rows: list[tuple[tuple[Any, ...], str]], place: int, *, descending: bool) -> None:
    """Stable; what has nothing to compare by comes last."""
    valued = [row for row in rows if row[0][place] is not None]
    without = [row for row in rows if row[0][place] is None]
    valued.sort(key=lambda row: row[0][place], reverse=descending)
    rows[:] = valued + without
