"""Resources by id and version, and their histories (R4 http.html#read, #vread, #history)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import islice, takewhile
from typing import Final

from msgspec import Struct

from drainledger.rest.scan import MOST_PATIENTS, is_past, stored
from drainledger.rest.stored import Position, Source, Stored, Wanted
from drainledger.store.codec import split_id
from drainledger.store.read import Read
from drainledger.store.rows import VersionRow

#: Types whose versions the store holds; the others are rendered when they are read, and have one version each.
STORED: Final = frozenset(
    {"DetectedIssue", "Device", "DeviceMetric", "DeviceUseStatement", "Observation", "Patient"}
)
_BATCH: Final = 200
#: A scan begins after an instant, a history at one.
_TICK: Final = timedelta(microseconds=1)


class Period(Struct, frozen=True):
    """From `start`, included, to `end`, excluded; None is open."""

    start: datetime | None = None
    end: datetime | None = None


EVER: Final = Period()


class Repository:
    """What there is of each type, by the sources that search uses too. `adapter` tells the one Device that is stored
    nowhere, None before there is any."""

    def __init__(self, sources: Mapping[str, Source], adapter: Callable[[Read], Stored | None]) -> None:
        self._sources = sources
        self._adapter = adapter

    def read(self, read: Read, type: str, id: str, version: int | None = None) -> Stored | None:
        """The current version, or the one asked for; None where there is none. `type` is R4's name."""
        if version is None:
            return self._sources[type].current(read, type, [id]).get(id)
        return next((each for _, each in self.history(read, type, id) if each.version == version), None)

    def history(self, read: Read, type: str, id: str) -> Iterator[tuple[Position, Stored]]:
        """Every version of a resource, the newest first; nothing where there never was one."""
        id_, part = split_id(id)
        rows = (
            [row for row in reversed(read.history(id_)) if _wrote(row, part, type)] if type in STORED else []
        )
        if rows:
            holders = read.rows_at([(row.id, row.seq) for row in rows])
            for row in rows:
                yield (row.seq, id_, part), stored(row, part, holders[row.id, row.seq])
            return
        only = self._sources[type].current(read, type, [id]).get(id)
        if only is not None:
            yield (0, id_, part), only

    def type_history(
        self,
        read: Read,
        type: str,
        horizon: int,
        *,
        after: Position | None = None,
        period: Period = EVER,
        at: Period | None = None,
    ) -> Iterator[tuple[Position, Stored]]:
        """Every version of every resource of a type that was written in `period`, up to the seq `horizon`, the newest
        first, from the one after `after` on. `at`: of these, what was current at some time in it."""
        if type not in STORED:
            yield from self._rendered(read, type, horizon, after, period, at)
            return
        written = self._written(read, type, horizon, after, period)
        if at is None or at.start is None:
            yield from (each for each in written if at is None or _before(each, at.end))
            return
        during = Period(max(filter(None, (period.start, at.start))), _earlier(period.end, at.end))
        yield from self._written(read, type, horizon, after, during)
        begun = min(horizon, read.seq_at(at.start))
        standing = self._sources[type].scan(read, Wanted(types=frozenset({type})), begun, after)
        for each in takewhile(lambda each: _since(each, period.start), standing):
            if _before(each, at.start):
                yield each

    def _rendered(
        self,
        read: Read,
        type: str,
        horizon: int,
        after: Position | None,
        period: Period,
        at: Period | None,
    ) -> Iterator[tuple[Position, Stored]]:
        """Each has one version, which is current from when it was made on."""
        end = period.end if at is None else _earlier(period.end, at.end)
        since = None if period.start is None else period.start - _TICK
        wanted = Wanted(types=frozenset({type}), since=since)
        for each in self._sources[type].scan(read, wanted, horizon, after):
            if _before(each, end):
                yield each

    def count(
        self,
        read: Read,
        type: str,
        horizon: int,
        most: int,
        *,
        period: Period = EVER,
        at: Period | None = None,
    ) -> int | None:
        """How many versions `type_history` tells of in all; None where there are more than `most`."""
        if type in STORED and type != "Device" and at is None:
            versions: Iterator[object] = (
                part
                for rows in _batches(read, type, horizon, None, period)
                for part in _parts(rows, type, None)
            )
        else:
            versions = self.type_history(read, type, horizon, period=period, at=at)
        counted = sum(1 for _ in islice(versions, most + 1))
        return None if counted > most else counted

    def _written(
        self, read: Read, type: str, horizon: int, after: Position | None, period: Period
    ) -> Iterator[tuple[Position, Stored]]:
        for rows in _batches(read, type, horizon, after, period):
            parts = _parts(rows, type, after)
            holders = read.rows_at({(row.id, row.seq) for row, _ in parts})
            for row, part in parts:
                yield (row.seq, row.id, part), stored(row, part, holders[row.id, row.seq])
        if type == "Device" and (after is None or after[0] > 0):
            yield from self._the_adapter(read, period)

    def _the_adapter(self, read: Read, period: Period) -> Iterator[tuple[Position, Stored]]:
        adapter = self._adapter(read)
        if adapter is not None:
            found = (0, adapter.id, ""), adapter
            if _since(found, period.start) and _before(found, period.end):
                yield found


def _wrote(row: VersionRow, part: str, type: str) -> bool:
    entry = row.written.get(part)
    return entry is not None and entry.type == type


def _parts(rows: Sequence[VersionRow], type: str, after: Position | None) -> list[tuple[VersionRow, str]]:
    """What these rows wrote of a type, beyond what was told of."""
    return [
        (row, part)
        for row in rows
        for part, entry in sorted(row.written.items())
        if entry.type == type and not is_past(row, part, after)
    ]


def _batches(
    read: Read, type: str, horizon: int, after: Position | None, period: Period
) -> Iterator[Sequence[VersionRow]]:
    above = 0 if period.start is None else read.seq_at(period.start - _TICK)
    last = horizon if period.end is None else min(horizon, read.seq_at(period.end - _TICK))
    ids = read.patients(MOST_PATIENTS) if type == "Patient" else None
    place, is_told = (None if after is None else after[:2]), False
    while True:
        rows = _batch(read, ids, last, above, place)
        yield rows[1:] if is_told else rows
        if len(rows) < _BATCH:
            return
        place, is_told = (rows[-1].seq, rows[-1].id), True


def _batch(
    read: Read, ids: Sequence[str] | None, last: int, above: int, after: tuple[int, str] | None
) -> list[VersionRow]:
    if ids is None:
        return read.newest(last, _BATCH, after=after, above=above)
    places = read.newest_places(last, _BATCH, after=after, above=above, ids=ids)
    rows = read.rows_at(places, with_bodies=False)
    return [rows[id_, seq] for id_, seq in places]


def _since(each: tuple[Position, Stored], start: datetime | None) -> bool:
    return start is None or each[1].updated >= start


def _before(each: tuple[Position, Stored], end: datetime | None) -> bool:
    return end is None or each[1].updated < end


def _earlier(one: datetime | None, other: datetime | None) -> datetime | None:
    return min(filter(None, (one, other)), default=None)
