"""Reads through everything that is stored and says what is not as it was written (DESIGN 9).

Whether the stored resources are those that the journal gives is another question: a refold answers it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, get_args

from msgspec import Struct
from sqlalchemy import Connection, and_, func, or_, select

from drainledger.domain.naming import Tie
from drainledger.domain.refolds import Journaled, names_of
from drainledger.domain.statements import slot_of
from drainledger.store import codec
from drainledger.store.rows import HeldState, Part
from drainledger.store.schema import (
    audit,
    exports,
    held,
    journal,
    journal_names,
    mapping_versions,
    metadata,
    outbox,
    tenants,
    versions,
)
from drainledger.store.store import Store

#: Tables that may name a tenant who has written nothing yet.
_AHEAD_OF_WRITING = frozenset({"api_keys", "assertions", "clients", "tenants"})
_STREAMED = {"yield_per": 500}


class Fault(Struct, frozen=True):
    """One thing that is not as it was written. `where` is a table and a key made by the store, never a source's id."""

    tenant: str
    where: str
    what: str

    def __str__(self) -> str:
        return (
            f"{self.where} of tenant {self.tenant}: {self.what}"
            if self.tenant
            else f"{self.where}: {self.what}"
        )


def check(store: Store) -> list[Fault]:
    """Every fault of one state of the database; none is what there should be. Takes as long as reading all of it."""
    with store.database.read(unhurried=True) as connection:
        faults = list(_pages(connection))
        faults += _strangers(connection)
        for tenant in list(connection.scalars(select(tenants.c.tenant).order_by(tenants.c.tenant))):
            faults += _Checked(connection, tenant).faults()
    return faults


def _pages(connection: Connection) -> Iterator[Fault]:
    """What SQLite says of its own file; PostgreSQL's checksums speak up when a page is read."""
    if connection.dialect.name == "sqlite":
        for (line,) in connection.exec_driver_sql("PRAGMA integrity_check"):
            if line != "ok":
                yield Fault("", "database file", line)


def _strangers(connection: Connection) -> Iterator[Fault]:
    """Rows of a tenant who has no row of its own, and so no lock."""
    known = select(tenants.c.tenant)
    for table in metadata.sorted_tables:
        if table.name not in _AHEAD_OF_WRITING:
            for tenant in connection.scalars(
                select(table.c.tenant).distinct().where(table.c.tenant.not_in(known))
            ):
                yield Fault(tenant, table.name, "the tenant has no row in tenants")


class _Checked:
    """One tenant."""

    def __init__(self, connection: Connection, tenant: str) -> None:
        self._connection = connection
        self._tenant = tenant
        row = connection.execute(select(tenants).where(tenants.c.tenant == tenant)).one()
        self._last_seq: int = row.last_seq
        self._last_received = row.last_received_at
        self._last_audit: int = row.last_audit_seq

    def faults(self) -> Iterator[Fault]:
        yield from self._journal()
        yield from self._versions()
        yield from self._commits()
        yield from self._held()
        yield from self._audit()
        yield from self._outbox()
        yield from self._exports()

    def _fault(self, where: str, what: str) -> Fault:
        return Fault(self._tenant, where, what)

    def _stream(self, table: Any, *order: Any) -> Any:
        query = select(table).where(table.c.tenant == self._tenant).order_by(*order)
        return self._connection.execute(query, execution_options=_STREAMED)

    # The journal

    def _journal(self) -> Iterator[Fault]:
        rules = set(
            self._connection.scalars(
                select(mapping_versions.c.version).where(mapping_versions.c.tenant == self._tenant)
            )
        )
        expected = _NameSum()
        seq, received_at = 0, None
        for row in self._stream(journal, journal.c.seq):
            where = f"journal {row.seq}"
            if row.seq != seq + 1:
                yield self._fault(where, f"it comes after {seq}: rows are missing")
            if received_at is not None and row.received_at < received_at:
                yield self._fault(where, "it was received before the one that it follows")
            if row.rules_version not in rules:
                yield self._fault(where, "its version of the rules is not stored")
            seq, received_at = row.seq, row.received_at
            record = _record(row)
            if record is None:
                yield self._fault(where, "its record can't be read")
                continue
            if (*slot_of(record.key), record.key.kind) != (
                row.space,
                row.slot_source,
                row.record_id,
                row.kind,
            ):
                yield self._fault(where, "its columns and its record name different ids")
            for name in map(codec.store_name, names_of(record)):
                expected.add(name, row.seq)
        if seq != self._last_seq:
            yield self._fault("journal", f"it ends at {seq}, and {self._last_seq} was given")
        if received_at is not None and received_at > self._last_received:
            yield self._fault("journal", "it ends later than was noted")
        if expected != self._stored_names():
            yield from self._names()

    def _stored_names(self) -> _NameSum:
        found = _NameSum()
        for row in self._stream(journal_names):
            found.add((row.name_kind, row.name), row.seq)
        return found

    def _names(self) -> Iterator[Fault]:
        """Which names are wrong; asked only where the sums say that some are."""
        right = 0
        for row in self._stream(journal, journal.c.seq):
            record = _record(row)
            wanted = {codec.store_name(name) for name in names_of(record)} if record is not None else set()
            missing = sum(not self._has_name(name, row.seq) for name in wanted)
            right += len(wanted) - missing
            if missing:
                yield self._fault(f"journal {row.seq}", f"{missing} of its names can't be found")
        more = self._count(journal_names) - right
        if more:
            yield self._fault("journal_names", f"{more} rows belong to no record")

    def _has_name(self, name: Tie, seq: int) -> bool:
        columns = journal_names.c
        key = (columns.tenant == self._tenant, columns.name_kind == name[0], columns.name == name[1])
        return bool(self._connection.scalar(select(func.count()).where(*key, columns.seq == seq)))

    # Resource versions

    def _versions(self) -> Iterator[Fault]:
        last: tuple[str, dict[str, Part]] = ("", {})
        for row in self._stream(versions, versions.c.id, versions.c.seq):
            where = f"versions {row.id} at {row.seq}"
            try:
                parts, bodies = codec.decode_parts(row.parts), codec.decode_bodies(row.bodies)
            except codec.CodecError:
                yield self._fault(where, "it can't be read")
                continue
            before = last[1] if last[0] == row.id else {}
            for what in _version_faults(row.seq, before, parts, bodies):
                yield self._fault(where, what)
            last = row.id, parts

    def _commits(self) -> Iterator[Fault]:
        """Every row stands at a seq of the journal, and was received with it."""
        match = and_(journal.c.tenant == versions.c.tenant, journal.c.seq == versions.c.seq)
        query = (
            select(versions.c.id, versions.c.seq)
            .outerjoin(journal, match)
            .where(versions.c.tenant == self._tenant)
            .where(or_(journal.c.seq.is_(None), journal.c.received_at != versions.c.received_at))
            .order_by(versions.c.id, versions.c.seq)
        )
        for id_, seq in self._connection.execute(query):
            yield self._fault(f"versions {id_} at {seq}", "no record was received with it")

    # The rest

    def _held(self) -> Iterator[Fault]:
        for row in self._stream(held, held.c.held_id):
            where = f"held {row.held_id}"
            if row.state not in get_args(HeldState) or (row.state == "replayed") != (
                row.replayed_as is not None
            ):
                yield self._fault(where, "its state can't be")
            if row.replayed_as is not None and not 0 < row.replayed_as <= self._last_seq:
                yield self._fault(where, "what it was replayed as is not in the journal")
            if row.digest != codec.held_digest(row.source, row.raw):
                yield self._fault(where, "its bytes are not those received")
            if not _readable(codec.decode_problems, row.problems):
                yield self._fault(where, "its problems can't be read")

    def _audit(self) -> Iterator[Fault]:
        seqs = [0]
        for row in self._stream(audit, audit.c.audit_seq):
            seqs = [seqs[-1], row.audit_seq]
            if any(later != earlier + 1 for earlier, later in pairwise(seqs)):
                yield self._fault(f"audit {row.audit_seq}", f"it comes after {seqs[0]}: rows are missing")
            if not all(_readable(codec.decode_words, blob) for blob in (row.patients, row.drains)):
                yield self._fault(f"audit {row.audit_seq}", "whose data was touched can't be read")
        if seqs[-1] != self._last_audit:
            yield self._fault("audit", f"it ends at {seqs[-1]}, and {self._last_audit} was given")

    def _outbox(self) -> Iterator[Fault]:
        bad = self._count(outbox, outbox.c.sent > outbox.c.wanted)
        if bad:
            yield self._fault("outbox", f"{bad} rows have sent what was not wanted")

    def _exports(self) -> Iterator[Fault]:
        bad = self._count(exports, exports.c.horizon > self._last_seq)
        if bad:
            yield self._fault("exports", f"{bad} rows tell of what is not in the journal")

    def _count(self, table: Any, *where: Any) -> int:
        query = select(func.count()).select_from(table).where(table.c.tenant == self._tenant, *where)
        return self._connection.scalar(query) or 0


class _NameSum(Struct):
    """Tells sets of names apart in any order, without keeping them: their count and the sum of their hashes."""

    count: int = 0
    total: int = 0

    def add(self, name: Tie, seq: int) -> None:
        data = "\x1f".join((*name, str(seq))).encode()
        self.count += 1
        self.total += int.from_bytes(hashlib.blake2b(data, digest_size=16).digest(), "big")


def _record(row: Any) -> Journaled | None:
    try:
        return codec.decode_record(row.kind, row.record)
    except codec.CodecError:
        return None


def _readable(decode: Any, data: bytes) -> bool:
    try:
        decode(data)
    except codec.CodecError:
        return False
    return True


def _version_faults(
    seq: int, before: dict[str, Part], parts: dict[str, Part], bodies: dict[str, bytes]
) -> Iterator[str]:
    written = {name for name, part in parts.items() if part.seq == seq}
    if written != bodies.keys():
        yield "its bodies are not those of the parts that it wrote"
    if not before.keys() <= parts.keys():
        yield "a part is gone"
    for name in sorted(parts):
        part, last = parts[name], before.get(name)
        if name not in written:
            if part != last:
                yield f"part '{name}' changed, and was not written"
            continue
        want = 1 if last is None else last.version + 1
        if part.version != want:
            yield f"part '{name}' has version {part.version}, and {want} is next"
        if name in bodies and codec.digest_of(bodies[name]) != part.digest:
            yield f"the body of part '{name}' is not the one that was written"
