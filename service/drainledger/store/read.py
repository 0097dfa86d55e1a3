"""Reading one tenant's rows within one transaction."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any, Final, TypeAlias, TypeVar

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    and_,
    func,
    or_,
    select,
    tuple_,
    union_all,
)

from drainledger.domain.naming import Tie
from drainledger.domain.statements import Slot
from drainledger.store import codec
from drainledger.store.rows import (
    AuditRow,
    HeldRow,
    HeldState,
    JournalRow,
    MappingRow,
    StoredBody,
    VersionRow,
)
from drainledger.store.schema import audit, held, journal, journal_names, mapping_versions, tenants, versions

#: How many values one statement asks for at once; SQLite takes 32,766, PostgreSQL's protocol 65,535.
BATCH: Final = 1000

_SETTLED: Final[tuple[HeldState, ...]] = ("held", "replayed", "discarded")

T = TypeVar("T")
Query: TypeAlias = Select[*tuple[Any, ...]]
AnyRow: TypeAlias = Row[*tuple[Any, ...]]


def batches(items: Collection[T]) -> Iterator[list[T]]:
    every = list(items)
    return (every[start : start + BATCH] for start in range(0, len(every), BATCH))


class Read:
    """One state of one tenant. Lists are in the order of the journal unless told otherwise."""

    def __init__(self, connection: Connection, tenant: str) -> None:
        self._connection = connection
        self.tenant = tenant

    # The journal

    def last_seq(self) -> int:
        """0 where nothing was ever accepted."""
        query = select(tenants.c.last_seq).where(tenants.c.tenant == self.tenant)
        return self._connection.scalar(query) or 0

    def seq_at(self, instant: datetime) -> int:
        """The last seq that was committed by then, 0 where none was."""
        query = self._of(select(func.max(journal.c.seq)), journal).where(journal.c.received_at <= instant)
        return self._connection.scalar(query) or 0

    def row(self, seq: int) -> JournalRow | None:
        found = self._journal([journal.c.seq == seq])
        return found[0] if found else None

    def rows(self, after: int, limit: int) -> list[JournalRow]:
        return self._journal([journal.c.seq > after], limit)

    def rows_naming(
        self, names: Collection[Tie], after: int = 0, until_received: datetime | None = None
    ) -> list[JournalRow]:
        """Every record that names one of these, each once. `until_received` is included."""
        bounds: list[ColumnElement[bool]] = [journal.c.seq > after]
        if until_received is not None:
            bounds.append(journal.c.received_at <= until_received)
        found: dict[int, JournalRow] = {}
        for some in batches(set(map(codec.store_name, names))):
            found.update(
                (row.seq, row)
                for row in self._journal([*bounds, journal.c.seq.in_(self._naming(some, after))])
            )
        return [found[seq] for seq in sorted(found)]

    def find(self, slots: Collection[Slot]) -> dict[Slot, JournalRow]:
        """The records in these slots; those that are empty are left out."""
        found: dict[Slot, JournalRow] = {}
        columns = journal.c
        for some in batches(set(slots)):
            by_source = _grouped((slot.space, slot.source, slot.id) for slot in some)
            wanted = or_(
                *(
                    and_(columns.space == space, columns.slot_source == source, columns.record_id.in_(ids))
                    for (space, source), ids in by_source.items()
                )
            )
            found.update((row.slot, row) for row in self._journal([wanted]))
        return found

    def drains(self, after: str, limit: int) -> list[str]:
        """Ids of the drains that have a record of their own, in code point order."""
        id_ = journal.c.record_id
        query = self._of(select(id_), journal).where(journal.c.space == "drain", journal.c.slot_source == "")
        return list(self._connection.scalars(query.where(id_ > after).order_by(id_).limit(limit)))

    def names(self, kind: str, after: str, limit: int) -> list[str]:
        """The drains ("drain") or collectors ("collector") that the journal speaks of, in code point order."""
        name = journal_names.c.name
        query = self._of(select(name).distinct(), journal_names).where(journal_names.c.name_kind == kind)
        return list(self._connection.scalars(query.where(name > after).order_by(name).limit(limit)))

    # Resource versions

    def current(
        self, ids: Collection[str], *, with_bodies: bool = False, horizon: int | None = None
    ) -> dict[str, VersionRow]:
        """The latest row of each id, or the latest up to the seq `horizon`; ids that have none are left out. A row's
        bodies are those it wrote, not all."""
        found: dict[str, VersionRow] = {}
        for some in batches(set(ids)):
            last = self._last_seqs(some, horizon).subquery()
            match = and_(versions.c.id == last.c.id, versions.c.seq == last.c.seq)
            query = self._of(_version_columns(with_bodies), versions).join(last, match)
            found.update((row.id, row) for row in self._versions(query))
        return found

    def last_seqs(self, ids: Collection[str], horizon: int | None = None) -> dict[str, int]:
        """Of each id the seq of its latest row, or of the latest up to the seq `horizon`."""
        found: dict[str, int] = {}
        for some in batches(set(ids)):
            found.update((id_, seq) for id_, seq in self._connection.execute(self._last_seqs(some, horizon)))
        return found

    def _last_seqs(self, ids: Collection[str], horizon: int | None) -> Query:
        query = self._of(select(versions.c.id, func.max(versions.c.seq).label("seq")), versions)
        if horizon is not None:
            query = query.where(versions.c.seq <= horizon)
        return query.where(versions.c.id.in_(ids)).group_by(versions.c.id)

    def ids(self, after: str, limit: int) -> list[str]:
        """What has versions, after an id, in code point order."""
        query = self._of(select(versions.c.id).distinct(), versions).where(versions.c.id > after)
        return list(self._connection.scalars(query.order_by(versions.c.id).limit(limit)))

    def history(self, id: str, *, with_bodies: bool = False) -> list[VersionRow]:
        """Every row of an id, the oldest first."""
        query = self._of(_version_columns(with_bodies), versions).where(versions.c.id == id)
        return self._versions(query.order_by(versions.c.seq))

    def rows_at(
        self, places: Collection[tuple[str, int]], *, with_bodies: bool = True
    ) -> dict[tuple[str, int], VersionRow]:
        """The rows of these (id, seq)s; places without one are left out."""
        found: dict[tuple[str, int], VersionRow] = {}
        for some in batches(set(places)):
            query = self._of(_version_columns(with_bodies), versions).where(
                # By the ids alone as well: SQLite looks up no pair in an index.
                versions.c.id.in_(sorted({id_ for id_, _ in some})),
                tuple_(versions.c.id, versions.c.seq).in_(sorted(some)),
            )
            found.update(((row.id, row.seq), row) for row in self._versions(query))
        return found

    def newest(
        self,
        horizon: int,
        limit: int,
        *,
        after: tuple[int, str] | None = None,
        above: int = 0,
    ) -> list[VersionRow]:
        """Rows of seqs above `above` and up to `horizon`, the newest first and of one commit by id: from `after`, a
        (seq, id), on, which is included."""
        columns = versions.c
        query = self._of(_version_columns(False), versions).where(columns.seq <= horizon, columns.seq > above)
        if after is not None:
            seq, id_ = after
            query = query.where(columns.seq <= seq, or_(columns.seq < seq, columns.id >= id_))
        return self._versions(query.order_by(columns.seq.desc(), columns.id).limit(limit))

    def newest_places(
        self,
        horizon: int,
        limit: int,
        *,
        after: tuple[int, str] | None = None,
        above: int = 0,
        ids: Collection[str] | None = None,
        patients: Collection[str] | None = None,
        or_of_nobody: bool = False,
    ) -> list[tuple[str, int]]:
        """(id, seq) of rows as `newest` orders them; of these ids, and of these patients, or of no patient either. For
        narrow questions: all that fit are looked at."""
        bounds: list[ColumnElement[bool]] = [versions.c.seq + 0 > above]
        if ids is not None:
            bounds.append(versions.c.id.in_(sorted(ids)))
        if patients is None:
            return self._newest_places(horizon, limit, after, bounds)
        found = self._newest_places(
            horizon, limit, after, [*bounds, versions.c.patient.in_(sorted(patients))]
        )
        if or_of_nobody:  # on its own: SQLite uses no index for both
            found += self._newest_places(horizon, limit, after, [*bounds, versions.c.patient.is_(None)])
        return sorted(found, key=lambda place: (-place[1], place[0]))[:limit]

    def _newest_places(
        self,
        horizon: int,
        limit: int,
        after: tuple[int, str] | None,
        bounds: Sequence[ColumnElement[bool]],
    ) -> list[tuple[str, int]]:
        columns = versions.c
        # Not an expression that an index on seq alone could answer: it would walk through everybody's rows.
        seq = columns.seq + 0
        query = self._of(select(columns.id, columns.seq), versions).where(seq <= horizon, *bounds)
        if after is not None:
            query = query.where(seq <= after[0], or_(seq < after[0], columns.id >= after[1]))
        query = query.order_by(seq.desc(), columns.id).limit(limit)
        return [(id_, seq) for id_, seq in self._connection.execute(query)]

    def patients(self, most: int) -> list[str] | None:
        """The ids of all Patients that versions are about; None where there are more than `most`."""
        query = self._of(select(versions.c.patient).distinct(), versions)
        query = query.where(versions.c.patient.is_not(None)).limit(most + 1)
        found = list(self._connection.scalars(query))
        return None if len(found) > most else found

    def seq_written_before(self, seq: int) -> int:
        """The last seq before this one at which versions were written; 0 where none were."""
        query = self._of(select(func.max(versions.c.seq)), versions).where(versions.c.seq < seq)
        return self._connection.scalar(query) or 0

    def written_at(self, seq: int, *, with_bodies: bool = False) -> list[VersionRow]:
        """The rows written at this seq, by id."""
        query = self._of(_version_columns(with_bodies), versions).where(versions.c.seq == seq)
        return self._versions(query.order_by(versions.c.id))

    def body(self, id: str, part: str, version: int | None = None) -> StoredBody | None:
        """One version of one resource, the current one by default; None where there is none."""
        rows = self.current([id]).values() if version is None else self.history(id)
        for row in rows:
            entry = row.parts.get(part)
            if entry is None or version not in (None, entry.version):
                continue
            query = self._of(_version_columns(True), versions)
            holder = self._versions(query.where(versions.c.id == id, versions.c.seq == entry.seq))[0]
            assert holder.bodies is not None
            return StoredBody(
                id=id,
                part=part,
                type=entry.type,
                version=entry.version,
                seq=entry.seq,
                received_at=holder.received_at,
                status=entry.status,
                code=entry.code,
                digest=entry.digest,
                body=holder.bodies[part],
            )
        return None

    # Held records

    def held(
        self, *, state: HeldState | None = "held", drain: str | None = None, after: str = "", limit: int = 100
    ) -> list[HeldRow]:
        """Held records after an id, in the order of their ids, which is that of their receipt. None: in any state."""
        query = self._of(select(held), held).where(held.c.held_id > after)
        if state is not None:
            query = query.where(held.c.state == state)
        if drain is not None:
            query = query.where(held.c.drain == drain)
        return [_held(row) for row in self._connection.execute(query.order_by(held.c.held_id).limit(limit))]

    def held_one(self, held_id: str) -> HeldRow | None:
        row = self._connection.execute(
            self._of(select(held), held).where(held.c.held_id == held_id)
        ).one_or_none()
        return None if row is None else _held(row)

    def held_count(self, drain: str, at: datetime | None = None) -> int:
        """How many records that name this drain are held, or were at an instant. Of a discarded one of which nobody
        noted when, it is not known, and it is not counted."""
        held_still = held.c.state == "held"
        query = self._of(select(func.count()), held).where(held.c.drain == drain)
        if at is None:
            query = query.where(held_still)
        else:
            query = query.where(held.c.received_at <= at, or_(held_still, held.c.closed_at > at))
        return self._connection.scalar(query) or 0

    def held_as(self, source: str, raws: Collection[bytes]) -> dict[bytes, HeldRow]:
        """Of these bytes, those that are or were held as this source sent them. Where several rows are of the same, the
        first that is held still; else the first that was replayed; else the first that was discarded."""
        digests = {codec.held_digest(source, raw) for raw in raws}
        found: list[HeldRow] = []
        for some in batches(digests):
            query = self._of(select(held), held).where(held.c.digest.in_(some))
            found += map(_held, self._connection.execute(query))
        found.sort(key=lambda row: (_SETTLED.index(row.state), row.held_id), reverse=True)
        return {row.raw: row for row in found}

    # Rules and audit

    def mapping(self, version: str) -> bytes | None:
        """The content of a version of the rules."""
        query = self._of(select(mapping_versions.c.content), mapping_versions)
        content: bytes | None = self._connection.scalar(query.where(mapping_versions.c.version == version))
        return content

    def mappings(self) -> list[MappingRow]:
        """Every version of the rules, the oldest first."""
        columns = mapping_versions.c
        query = self._of(select(columns.version, columns.first_seq, columns.content), mapping_versions)
        return [
            MappingRow(*row)
            for row in self._connection.execute(query.order_by(columns.first_seq, columns.version))
        ]

    def audits(self, after: int, limit: int) -> list[AuditRow]:
        query = self._of(select(audit), audit).where(audit.c.audit_seq > after)
        return [
            _audit(row) for row in self._connection.execute(query.order_by(audit.c.audit_seq).limit(limit))
        ]

    def newest_audits(self, limit: int, *, before: int | None = None) -> list[AuditRow]:
        """The newest first, from the one before `before` on."""
        query = self._of(select(audit), audit)
        if before is not None:
            query = query.where(audit.c.audit_seq < before)
        return [
            _audit(row)
            for row in self._connection.execute(query.order_by(audit.c.audit_seq.desc()).limit(limit))
        ]

    def audits_at(self, audit_seqs: Collection[int]) -> list[AuditRow]:
        """Those of these numbers, in their order."""
        found: list[AuditRow] = []
        for some in batches(sorted(set(audit_seqs))):
            query = self._of(select(audit), audit).where(audit.c.audit_seq.in_(some))
            found += [_audit(row) for row in self._connection.execute(query.order_by(audit.c.audit_seq))]
        return found

    # Statements

    def _of(self, query: Query, table: Any) -> Query:
        return query.where(table.c.tenant == self.tenant)

    def _journal(self, where: Sequence[ColumnElement[bool]], limit: int | None = None) -> list[JournalRow]:
        columns = journal.c
        query = select(
            columns.seq,
            columns.received_at,
            columns.source,
            columns.kind,
            columns.record,
            columns.raw,
            columns.rules_version,
            columns.principal,
        )
        query = self._of(query, journal).where(*where).order_by(columns.seq).limit(limit)
        return [_journal_row(row) for row in self._connection.execute(query)]

    def _naming(self, names: Iterable[Tie], after: int) -> Any:
        columns = journal_names.c
        return union_all(
            *(
                self._of(select(columns.seq), journal_names).where(
                    columns.name_kind == kind, columns.name.in_(some), columns.seq > after
                )
                for (kind,), some in _grouped(names).items()
            )
        )

    def _versions(self, query: Query) -> list[VersionRow]:
        return [_version_row(row) for row in self._connection.execute(query)]


def _grouped(rows: Iterable[tuple[str, ...]]) -> dict[tuple[str, ...], list[str]]:
    """All but the last -> the lasts. Sorted, so that the same question is always the same statement."""
    groups: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for *first, last in sorted(rows):
        groups[tuple(first)].append(last)
    return groups


def _journal_row(row: AnyRow) -> JournalRow:
    seq, received_at, source, kind, record, raw, rules_version, principal = row
    return JournalRow(
        seq, received_at, source, codec.decode_record(kind, record), raw, rules_version, principal
    )


def _version_columns(with_bodies: bool) -> Query:
    columns = versions.c
    wanted: list[Any] = [
        *(columns.id, columns.seq, columns.received_at, columns.patient, columns.drain, columns.at),
        *(columns.slot, columns.parts),
    ]
    return select(*wanted, columns.bodies) if with_bodies else select(*wanted)


def _version_row(row: AnyRow) -> VersionRow:
    return VersionRow(
        id=row.id,
        seq=row.seq,
        received_at=row.received_at,
        parts=codec.decode_parts(row.parts),
        patient=row.patient,
        drain=row.drain,
        at=row.at,
        record=codec.split_slot(row.slot),
        bodies=codec.decode_bodies(row.bodies) if "bodies" in row._fields else None,
    )


def _held(row: AnyRow) -> HeldRow:
    return HeldRow(
        held_id=row.held_id,
        seq=row.seq,
        received_at=row.received_at,
        source=row.source,
        raw=row.raw,
        problems=codec.decode_problems(row.problems),
        drain=row.drain,
        record_id=row.record_id,
        state=row.state,
        replayed_as=row.replayed_as,
        reason=row.reason,
        closed_by=row.closed_by,
        closed_at=row.closed_at,
    )


def _audit(row: AnyRow) -> AuditRow:
    return AuditRow(
        at=row.at,
        principal=row.principal,
        action=row.action,
        method=row.method,
        route=row.route,
        outcome=row.outcome,
        request_id=row.request_id,
        patients=codec.decode_words(row.patients),
        drains=codec.decode_words(row.drains),
        audit_seq=row.audit_seq,
    )
