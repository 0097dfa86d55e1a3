"""Writing one tenant's rows within one transaction, under the tenant's lock."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any, Final, Literal

import msgspec
from sqlalchemy import Connection, Insert, Table, case, insert, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError

from drainledger.domain.refolds import names_of
from drainledger.domain.statements import slot_of
from drainledger.store import codec
from drainledger.store.errors import (
    ClockBehind,
    HeldIsClosed,
    SeqNotAdvanced,
    SlotTaken,
    UnknownHeld,
    VersionSkipped,
)
from drainledger.store.held_ids import new_held_ids
from drainledger.store.instants import after
from drainledger.store.read import Read
from drainledger.store.rows import (
    AuditRow,
    NewDelivery,
    NewHeld,
    NewPart,
    NewRow,
    NewVersions,
    Part,
    VersionRow,
)
from drainledger.store.schema import audit, held, journal, journal_names, mapping_versions, outbox, versions
from drainledger.store.tenancy import TenantState, insert_new, save_tenant

#: How far the clock may be behind a tenant's last commit: several machines never agree to the second.
MOST_BEHIND: Final = timedelta(minutes=10)


class Write(Read):
    """One transaction that writes. `clock` is what the clock said; `received_at` that of every row in it: by the clock,
    but later than any before.

    A database refuses to go on after an error inside a transaction: put what may fail behind a savepoint.
    """

    def __init__(
        self, connection: Connection, tenant: str, state: TenantState, received_at: datetime
    ) -> None:
        super().__init__(connection, tenant)
        self._saved = msgspec.structs.replace(state)
        self._state = state
        self.clock = received_at
        self.received_at = max(received_at, after(state.received_at))
        self._current: dict[str, VersionRow | None] = {}

    @property
    def seq(self) -> int:
        """The last seq that was given; resource versions are written at it."""
        return self._state.seq

    def last_seq(self) -> int:
        return self._state.seq

    def check_clock(self) -> None:
        """Raises ClockBehind where rows that order by `received_at` would be written in a time that has not come."""
        if self._saved.received_at - self.clock > MOST_BEHIND:
            raise ClockBehind(self.clock, self._saved.received_at)

    @contextmanager
    def savepoint(self) -> Iterator[None]:
        """What the block wrote is undone where it raises; the exception goes on, the transaction can too."""
        state = msgspec.structs.replace(self._state)
        try:
            with self._connection.begin_nested():
                yield
        except BaseException:
            self._state = state
            self._current.clear()
            raise

    def finish(self) -> None:
        """Called by the store before it commits."""
        if self._state != self._saved:
            save_tenant(self._connection, self.tenant, self._state)

    # The journal

    def append(self, rows: Sequence[NewRow]) -> list[int]:
        """Journals records in their order; their seqs. Raises SlotTaken where an id is there already."""
        first = self._state.seq + 1
        seqs = list(range(first, first + len(rows)))
        try:
            self._insert(journal, [self._journaled(seq, row) for seq, row in zip(seqs, rows, strict=True)])
        except IntegrityError as error:
            raise SlotTaken from error
        self._insert(
            journal_names,
            [
                {"tenant": self.tenant, "name_kind": kind, "name": name, "seq": seq}
                for seq, row in zip(seqs, rows, strict=True)
                for kind, name in map(codec.store_name, names_of(row.record))
            ],
        )
        self._state.seq += len(rows)
        self._touch()
        return seqs

    def _journaled(self, seq: int, row: NewRow) -> dict[str, Any]:
        record = row.record
        slot = slot_of(record.key)
        return {
            "tenant": self.tenant,
            "seq": seq,
            "received_at": self.received_at,
            "source": row.source,
            "space": slot.space,
            "slot_source": slot.source,
            "record_id": slot.id,
            "kind": record.key.kind,
            "at": codec.at_of(record),
            "rules_version": row.rules_version,
            "principal": row.principal,
            "record": codec.encode_record(record),
            "raw": row.raw,
        }

    # Resource versions

    def current(
        self, ids: Collection[str], *, with_bodies: bool = False, horizon: int | None = None
    ) -> dict[str, VersionRow]:
        found = super().current(ids, with_bodies=with_bodies, horizon=horizon)
        if horizon is None:
            self._current.update({id_: found.get(id_) for id_ in ids})
        return found

    def put_versions(self, rows: Sequence[NewVersions]) -> None:
        """Writes new versions at `seq`, each the one after its last (1 where there is none), or raises VersionSkipped.

        Raises SeqNotAdvanced where this transaction has journaled nothing since the id's last row: who reads on from a
        seq that is committed must never find more under it later.
        """
        if not rows:
            return
        if self.seq == self._saved.seq:
            raise SeqNotAdvanced
        unknown = {row.id for row in rows} - self._current.keys()
        if unknown:
            self.current(unknown)
        written: dict[str, VersionRow] = {}
        for row in rows:
            last = written.get(row.id) or self._current[row.id]
            if last is not None and last.seq == self.seq:
                raise SeqNotAdvanced
            written[row.id] = self._next(last, row)
        self._insert(versions, [self._versioned(row) for row in written.values()])
        self._current.update(written)
        self._touch()

    def _next(self, last: VersionRow | None, new: NewVersions) -> VersionRow:
        parts = dict(last.parts) if last is not None else {}
        for part, version in new.parts.items():
            parts[part] = self._next_part(parts.get(part), version)
        return VersionRow(
            id=new.id,
            seq=self.seq,
            received_at=self.received_at,
            parts=parts,
            patient=new.patient,
            drain=new.drain,
            at=new.at,
            record=new.record,
            bodies={part: version.body for part, version in new.parts.items()},
        )

    def _next_part(self, last: Part | None, new: NewPart) -> Part:
        want = 1 if last is None else last.version + 1
        if new.version != want:
            raise VersionSkipped(new.type, want, new.version)
        return Part(new.type, new.version, self.seq, codec.digest_of(new.body), new.status, new.code)

    def _versioned(self, row: VersionRow) -> dict[str, Any]:
        return {
            "tenant": self.tenant,
            "id": row.id,
            "seq": row.seq,
            "received_at": row.received_at,
            "patient": row.patient,
            "drain": row.drain,
            "at": row.at,
            "slot": codec.join_slot(row.record),
            "parts": codec.encode_parts(row.parts),
            "bodies": codec.encode_bodies(row.bodies or {}),
        }

    # Held records

    def hold(self, rows: Sequence[NewHeld]) -> list[str]:
        """Keeps records that can't be accepted; their ids, which can't be guessed and sort in this order."""
        ids = new_held_ids(self.received_at, len(rows))
        self._insert(
            held,
            [
                {
                    "tenant": self.tenant,
                    "held_id": held_id,
                    "seq": self.seq,
                    "received_at": self.received_at,
                    "source": row.source,
                    "drain": row.drain,
                    "record_id": row.record_id,
                    "state": "held",
                    "replayed_as": None,
                    "digest": codec.held_digest(row.source, row.raw),
                    "problems": codec.encode_problems(row.problems),
                    "raw": row.raw,
                }
                for held_id, row in zip(ids, rows, strict=True)
            ],
        )
        self._touch()
        return ids

    def set_held(
        self,
        held_id: str,
        state: Literal["replayed", "discarded"],
        replayed_as: int | None = None,
        *,
        reason: str | None = None,
        by: str,
    ) -> None:
        """Closes a held record, once. `replayed_as` is the journal seq of what it became, `reason` why it is given up,
        `by` the principal. Raises UnknownHeld, HeldIsClosed."""
        present = self.held_one(held_id)
        if present is None:
            raise UnknownHeld(held_id)
        if present.state != "held":
            raise HeldIsClosed(held_id, present.state)
        if (state == "replayed") != (replayed_as is not None):
            raise ValueError("a replayed record has a seq, a discarded one has none")
        if (state == "discarded") != bool(reason):
            raise ValueError("a discarded record has a reason, a replayed one has none")
        query = update(held).where(held.c.tenant == self.tenant, held.c.held_id == held_id)
        closed = {"state": state, "replayed_as": replayed_as, "reason": reason, "closed_by": by}
        self._connection.execute(query, closed | {"closed_at": self.received_at})
        self._touch()

    # What goes with a commit

    def enqueue(self, rows: Sequence[NewDelivery]) -> None:
        """Destinations should have these versions. What is being sent stays leased; its sender sees the new want."""
        statement = _upsert(self._connection, outbox)
        new = statement.excluded
        leased = outbox.c.state == "leased"
        statement = statement.on_conflict_do_update(
            index_elements=list(outbox.primary_key),
            set_={
                "wanted": new.wanted,
                "state": case((leased, outbox.c.state), else_=new.state),
                "next_at": case((leased, outbox.c.next_at), else_=new.next_at),
            },
            where=outbox.c.wanted < new.wanted,
        )
        self._insert(
            statement,
            [
                {
                    "tenant": self.tenant,
                    "destination": row.destination,
                    "id": row.id,
                    "part": row.part,
                    "wanted": row.wanted,
                    "sent": 0,
                    "state": "due",
                    "next_at": self.received_at,
                    "attempts": 0,
                }
                for row in rows
            ],
        )

    def audit(self, *rows: AuditRow) -> None:
        """Notes who did what; it is committed with the rest."""
        first = self._state.audit_seq + 1
        self._insert(
            audit,
            [
                {
                    "tenant": self.tenant,
                    "audit_seq": seq,
                    "at": row.at,
                    "principal": row.principal,
                    "action": row.action,
                    "method": row.method,
                    "route": row.route,
                    "outcome": row.outcome,
                    "request_id": row.request_id,
                    "patients": codec.encode_words(row.patients),
                    "drains": codec.encode_words(row.drains),
                }
                for seq, row in enumerate(rows, first)
            ],
        )
        self._state.audit_seq += len(rows)

    def put_mapping(self, version: str, content: bytes) -> None:
        """Keeps a version of the rules, in force from the next record on; nothing where it is known."""
        self._insert(
            insert_new(self._connection, mapping_versions),
            [{"tenant": self.tenant, "version": version, "first_seq": self.seq + 1, "content": content}],
        )

    # Statements

    def _insert(self, into: Table | Insert, rows: list[dict[str, Any]]) -> None:
        if rows:
            self._connection.execute(insert(into) if isinstance(into, Table) else into, rows)

    def _touch(self) -> None:
        """A later commit must have a later received_at."""
        self.check_clock()
        self._state.received_at = self.received_at


def _upsert(connection: Connection, table: Table) -> sqlite.Insert | postgresql.Insert:
    return sqlite.insert(table) if connection.dialect.name == "sqlite" else postgresql.insert(table)
