"""What the store holds of a type, as things stood at a horizon, the newest written first (DESIGN 9).

A commit leaves one row an id, which tells all parts of the id and holds the bodies that it wrote. So what a row wrote
of a part counts at a horizon exactly if the id's last row up to the horizon names that row as the part's: each resource
comes once, and writes after the horizon change nothing of what later pages say.

`versions.at` narrows nothing: a record's time can be corrected, and what was withdrawn with it keeps the old one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

from drainledger.rest.stored import Position, Stored, Wanted
from drainledger.store.codec import split_id
from drainledger.store.read import Read
from drainledger.store.rows import Part, VersionRow

#: Rows looked at in one statement: few at first, for most pages need few.
_FIRST: Final = 100
#: Patients are found by their ids up to this many of a tenant: they are few among all that is written of them.
MOST_PATIENTS: Final = 5_000
_MOST: Final = 800
#: Of these, a row's `patient` is whom its bodies are about. That of a unit in use, which may serve several drains, is
#: in no column: its rows name nobody.
_OF_PATIENTS: Final = frozenset({"Observation", "DetectedIssue", "DeviceUseStatement"})
_SHARED: Final = "DeviceUseStatement"


def whole_id(id_: str, part: str) -> str:
    return f"{id_}.{part}" if part else id_


def stored(row: VersionRow, part: str, holder: VersionRow) -> Stored:
    """A part as of `row`; `holder` is the row that wrote it, with its bodies."""
    entry = row.parts[part]
    assert holder.bodies is not None, "the row was read with its bodies"
    return Stored(
        type=entry.type,
        id=whole_id(row.id, part),
        version=entry.version,
        updated=holder.received_at,
        body=holder.bodies[part],
        status=entry.status,
        code=entry.code,
        patient=holder.patient,
        drain=holder.drain,
    )


class VersionsSource:
    """Device, DeviceMetric, DeviceUseStatement, DetectedIssue, Observation and Patient, from the table `versions`."""

    def scan(
        self, read: Read, wanted: Wanted, horizon: int, after: Position | None = None
    ) -> Iterator[tuple[Position, Stored]]:
        """See rest.stored.Source. Holds no more than some hundred rows at a time."""
        test = _Test(wanted)
        place, is_told = (None if after is None else after[:2]), False
        until = _before(read, wanted.until, horizon)
        limit = _FIRST
        while True:
            rows = _rows(read, wanted, until, place, limit)
            fresh = rows[1:] if is_told else rows
            yield from self._of_rows(read, fresh, test, horizon, after)
            if len(rows) < limit or not test.may_follow(rows[-1]):
                return
            place, is_told = (rows[-1].seq, rows[-1].id), True
            limit = min(2 * limit, _MOST)

    def _of_rows(
        self, read: Read, rows: Sequence[VersionRow], test: _Test, horizon: int, after: Position | None
    ) -> Iterator[tuple[Position, Stored]]:
        fitting = [(row, parts) for row in rows if (parts := test.parts(row, after))]
        standing = _standing(read, [row for row, _ in fitting], horizon)
        found = [
            (row, part) for row, parts in fitting for part in parts if standing[row.id][part].seq == row.seq
        ]
        holders = read.rows_at({(row.id, row.seq) for row, _ in found})
        for row, part in found:
            yield (row.seq, row.id, part), stored(row, part, holders[row.id, row.seq])

    def current(
        self, read: Read, type: str, ids: Collection[str], horizon: int | None = None
    ) -> dict[str, Stored]:
        """See rest.stored.Source."""
        places = {id: split_id(id) for id in ids}
        rows = read.current({id_ for id_, _ in places.values()}, horizon=horizon)
        found = {
            id: (rows[id_], part)
            for id, (id_, part) in places.items()
            if id_ in rows and part in rows[id_].parts and rows[id_].parts[part].type == type
        }
        holders = read.rows_at({(row.id, row.parts[part].seq) for row, part in found.values()})
        return {
            id: stored(row, part, holders[row.id, row.parts[part].seq]) for id, (row, part) in found.items()
        }


class _Test:
    """Which parts that a row wrote may belong to the result, before any body is looked at."""

    def __init__(self, wanted: Wanted) -> None:
        self._wanted = wanted

    def parts(self, row: VersionRow, after: Position | None) -> list[str]:
        wanted = self._wanted
        if wanted.since is not None and row.received_at <= wanted.since:
            return []
        return [
            part
            for part, entry in sorted(row.written.items())
            if entry.type in wanted.types
            and (wanted.codes is None or entry.code in wanted.codes)
            and (wanted.ids is None or whole_id(row.id, part) in wanted.ids)
            and not is_past(row, part, after)
        ]

    def may_follow(self, row: VersionRow) -> bool:
        """Whether what was written before this row may be wanted: commits are ordered by when they were received."""
        return self._wanted.since is None or row.received_at > self._wanted.since


def is_past(row: VersionRow, part: str, after: Position | None) -> bool:
    """Whether a position was told of on an earlier page."""
    return after is not None and (-row.seq, row.id, part) <= (-after[0], after[1], after[2])


def _before(read: Read, until: datetime | None, horizon: int) -> int:
    return horizon if until is None else min(horizon, read.seq_at(until))


def _rows(
    read: Read, wanted: Wanted, horizon: int, after: tuple[int, str] | None, limit: int
) -> list[VersionRow]:
    """Rows that may have written what is wanted, the newest first; from `after` on, which is included."""
    ids: Collection[str] | None = None if wanted.ids is None else {split_id(id)[0] for id in wanted.ids}
    patients = wanted.patients if wanted.types <= _OF_PATIENTS else None
    if ids is None and wanted.types == {"Patient"}:
        ids = read.patients(MOST_PATIENTS) if wanted.patients is None else wanted.patients
    if ids is None and patients is None:
        return read.newest(horizon, limit, after=after)
    places = read.newest_places(
        horizon, limit, after=after, ids=ids, patients=patients, or_of_nobody=_SHARED in wanted.types
    )
    rows = read.rows_at(places, with_bodies=False)
    return [rows[id_, seq] for id_, seq in places]


def _standing(read: Read, rows: Sequence[VersionRow], horizon: int) -> Mapping[str, Mapping[str, Part]]:
    """What there is of the ids of these rows at the horizon."""
    last = read.last_seqs({row.id for row in rows}, horizon)
    parts = {row.id: row.parts for row in rows if row.seq == last[row.id]}
    later = read.rows_at({(id_, seq) for id_, seq in last.items() if id_ not in parts}, with_bodies=False)
    return parts | {row.id: row.parts for row in later.values()}
