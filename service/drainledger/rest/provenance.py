"""Where each version comes from (R4 provenance.html): rendered from the journal when it is read.

One for each row of the store: for what one commit wrote of the resources that one record owns. Its targets are those
versions; its sources the owner's message and those of the records that changed it. It never changes itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from msgspec import Struct

from drainledger.domain.naming import Tie, targets
from drainledger.domain.records import Event, Key, Observer, Reading
from drainledger.domain.refolds import Refold
from drainledger.domain.statements import Slot
from drainledger.fhir import Renderer
from drainledger.fhir.about import reference
from drainledger.fhir.fragments import encode
from drainledger.fhir.ids import message_name
from drainledger.fhir.kit import agents
from drainledger.fhir.provenance import Activity, activity
from drainledger.rest.stored import Position, Stored, Wanted
from drainledger.store.codec import at_of, split_id
from drainledger.store.read import Read
from drainledger.store.rows import JournalRow, Part, VersionRow

Json = dict[str, Any]

_PART: Final = re.compile(r"provenance\.([1-9][0-9]{0,17})")
_BATCH: Final = 100
_WITHDRAWN: Final = "entered-in-error"


class Provenances:
    """The source of Provenances."""

    def __init__(self, renderer: Callable[[str], Renderer]) -> None:
        self._renderer = renderer

    def scan(
        self, read: Read, wanted: Wanted, horizon: int, after: Position | None = None
    ) -> Iterator[tuple[Position, Stored]]:
        if "Provenance" not in wanted.types:
            return
        if wanted.ids is not None:
            yield from self._of_ids(read, wanted, horizon, after)
            return
        for rows in _pages(read, wanted, horizon, None if after is None else after[:2]):
            yield from self._told(read, [row for row in rows if _is_wanted(row, wanted)])

    def _of_ids(
        self, read: Read, wanted: Wanted, horizon: int, after: Position | None
    ) -> Iterator[tuple[Position, Stored]]:
        places = {place for id in wanted.ids or () if (place := _place(id)) is not None}
        found = read.rows_at(places, with_bodies=False).values()
        rows = [row for row in found if row.seq <= horizon and _is_wanted(row, wanted)]
        rows.sort(key=lambda row: (-row.seq, row.id))
        yield from self._told(
            read, [row for row in rows if after is None or (-row.seq, row.id) > (-after[0], after[1])]
        )

    def current(
        self, read: Read, type: str, ids: Collection[str], horizon: int | None = None
    ) -> dict[str, Stored]:
        places = {place for id in ids if (place := _place(id)) is not None}
        rows = read.rows_at(places, with_bodies=False).values()
        wanted = [row for row in rows if horizon is None or row.seq <= horizon]
        return {stored.id: stored for _, stored in self._told(read, wanted)}

    def _told(self, read: Read, rows: Sequence[VersionRow]) -> Iterator[tuple[Position, Stored]]:
        renderer = self._renderer(read.tenant)
        origins = Origins(read, rows)
        for row in rows:
            yield (row.seq, row.id, _part(row)), provenance(renderer, row, origins.of(row))


def _pages(
    read: Read, wanted: Wanted, horizon: int, after: tuple[int, str] | None
) -> Iterator[list[VersionRow]]:
    """Rows that may be wanted, the newest first."""
    above = 0 if wanted.since is None else read.seq_at(wanted.since)
    last = horizon if wanted.until is None else min(horizon, read.seq_at(wanted.until))
    narrow = wanted.patients is not None or wanted.targets is not None
    while (
        rows := _narrowed(read, wanted, last, above, after)
        if narrow
        else read.newest(last, _BATCH, after=after, above=above)
    ):
        fresh = [row for row in rows if (row.seq, row.id) != after]
        if not fresh:
            return
        yield fresh
        after = (rows[-1].seq, rows[-1].id)


def _narrowed(
    read: Read, wanted: Wanted, last: int, above: int, after: tuple[int, str] | None
) -> list[VersionRow]:
    ids = None
    if wanted.targets is not None:
        ids = {split_id(target.rpartition("/")[2])[0] for target in wanted.targets}
    places = read.newest_places(
        last, _BATCH, after=after, above=above, ids=ids, patients=wanted.patients, or_of_nobody=True
    )
    rows = read.rows_at(places, with_bodies=False)
    return [rows[id_, seq] for id_, seq in places]


class Origin(Struct, frozen=True):
    """The records that a version comes from: the owner of its resources, None for a window's, and what changed it."""

    owner: JournalRow | None
    causes: tuple[JournalRow, ...]

    @property
    def is_own(self) -> bool:
        """Whether the owner came with this commit, so that it has no other cause."""
        return self.owner is not None and any(self.owner.seq == cause.seq for cause in self.causes)

    @property
    def sources(self) -> list[JournalRow]:
        found = {} if self.owner is None else {self.owner.seq: self.owner}
        return list((found | {row.seq: row for row in self.causes}).values())


class Origins:
    """The origins of some rows, read together.

    Of a commit that took in many records it is not noted which changed what: its causes are all that speak of the same
    drain, or correct or retract the owner.
    """

    def __init__(self, read: Read, rows: Sequence[VersionRow]) -> None:
        self._owners = read.find({row.record for row in rows if row.record is not None})
        self._commits = {seq: _committed(read, seq) for seq in sorted({row.seq for row in rows})}

    def of(self, row: VersionRow) -> Origin:
        owner = self._owners.get(row.record) if row.record is not None else None
        committed = self._commits[row.seq]
        concerned = [each for each in committed if _changes(each, row.record)]
        if owner is not None and owner in committed:
            return Origin(owner, (owner, *concerned))
        named = _tie(row)
        if len(committed) > 1 and named is not None:
            about = [each for each in committed if named in each.names]
            return Origin(owner, tuple(concerned + [each for each in about if each not in concerned]))
        return Origin(owner, tuple(committed))


def _committed(read: Read, seq: int) -> list[JournalRow]:
    """The records whose folding wrote versions at `seq`: those after the last seq before at which any were written."""
    last = read.row(seq)
    if last is None:
        return []
    rows = read.rows(read.seq_written_before(seq), seq)
    return [row for row in rows if row.seq <= seq and row.received_at == last.received_at]


def _tie(row: VersionRow) -> Tie | None:
    """What the records that change a row's resources name: its drain, or the unit that it is of."""
    if row.drain is not None:
        return "drain", row.drain
    return (
        ("collector", row.record.id) if row.record is not None and row.record.space == "collector" else None
    )


def _changes(each: JournalRow, owner: Slot | None) -> bool:
    return owner is not None and not isinstance(each.record, Refold) and owner in targets(each.record)


def _is_wanted(row: VersionRow, wanted: Wanted) -> bool:
    if not row.written:
        return False
    if wanted.patients is not None and row.patient is not None and row.patient not in wanted.patients:
        return False
    if wanted.targets is not None and not any(_tells_of(row, target) for target in wanted.targets):
        return False
    if wanted.since is not None and row.received_at <= wanted.since:
        return False
    return wanted.until is None or row.received_at <= wanted.until


def _tells_of(row: VersionRow, target: str) -> bool:
    """Whether a row wrote a version of what a `Type/id` names."""
    type_, _, id = target.partition("/")
    id_, part = split_id(id)
    entry = row.written.get(part)
    return row.id == id_ and entry is not None and entry.type == type_


def _part(row: VersionRow) -> str:
    return f"provenance.{row.seq}"


def _place(id: str) -> tuple[str, int] | None:
    """The (id, seq) of the row that a Provenance tells of; None where the id is none."""
    id_, part = split_id(id)
    match = _PART.fullmatch(part)
    return None if match is None else (id_, int(match[1]))


def provenance(renderer: Renderer, row: VersionRow, origin: Origin) -> Stored:
    """One row's Provenance."""
    return Stored(
        type="Provenance",
        id=f"{row.id}.{_part(row)}",
        version=1,
        updated=row.received_at,
        body=encode(_body(renderer, row, origin)),
        patient=row.patient,
        drain=row.drain,
    )


def _body(renderer: Renderer, row: VersionRow, origin: Origin) -> Json:
    written = sorted(row.written.items())
    kind = _activity(part for _, part in written)
    body: Json = {
        "resourceType": "Provenance",
        "id": f"{row.id}.{_part(row)}",
        "target": [_version(row.id, part, entry, entry.version) for part, entry in written],
    }
    occurred = _occurred(row, origin, kind)
    if occurred is not None:
        body["occurredDateTime"] = occurred.astimezone(UTC).isoformat()
    adapter = reference("Device", renderer.ids.adapter())
    entities = [
        *(_source(renderer, each.record.key) for each in origin.sources),
        *(_replaced(row.id, part, entry) for part, entry in written if entry.version > 1),
    ]
    return body | {
        "recorded": row.received_at.astimezone(UTC).isoformat(),
        "activity": activity(kind),
        "agent": agents(adapter, _observer(origin)),
        **({"entity": entities} if entities else {}),
    }


def _activity(parts: Iterable[Part]) -> Activity:
    """NULLIFY where all is withdrawn, CREATE where all is new."""
    every = list(parts)
    if {part.status for part in every if part.status} == {_WITHDRAWN}:
        return "NULLIFY"
    return "CREATE" if all(part.version == 1 for part in every) else "UPDATE"


def _occurred(row: VersionRow, origin: Origin, kind: Activity) -> datetime | None:
    """When it happened at the bedside: what a new version of a known resource rests on, where that is one record; never
    after it was recorded."""
    if kind == "CREATE" or origin.is_own:
        at = row.at
    else:
        at = at_of(origin.causes[0].record) if len(origin.causes) == 1 else None
    return None if at is None else min(at, row.received_at)


def _observer(origin: Origin) -> Observer | None:
    """Who made the record, where one record alone says so."""
    rows = [origin.owner] if origin.is_own else list(origin.causes)
    observers = {
        row.record.observer for row in rows if row is not None and isinstance(row.record, Event | Reading)
    }
    return observers.pop() if len(observers) == 1 else None


def _version(id: str, part: str, entry: Part, version: int) -> Json:
    whole = f"{id}.{part}" if part else id
    return {"reference": f"{entry.type}/{whole}/_history/{version}", "type": entry.type}


def _source(renderer: Renderer, key: Key) -> Json:
    """The raw message, by identifier: it is no FHIR resource."""
    named = {"system": f"{renderer.base}/sid/message", "value": message_name(key)}
    return {"role": "source", "what": {"identifier": named}}


def _replaced(id: str, part: str, entry: Part) -> Json:
    return {"role": "revision", "what": _version(id, part, entry, entry.version - 1)}
