"""The tables (DESIGN 9). Every key starts with the tenant: it is the unit of ordering, of locking and of partitioning.

Instants are UTC microseconds since 1970 (`Instant`), text compares by code point on every engine (`Word`), and what is
opaque to SQL is msgpack or raw bytes.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Column,
    Dialect,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.dialects import postgresql

from drainledger.store.instants import from_micros, to_micros

#: The revision in migrations/versions that this module describes.
HEAD: Final = "0003"

metadata = MetaData(
    naming_convention={
        "pk": "%(table_name)s_pk",
        "uq": "%(table_name)s_%(column_0_name)s_%(column_1_name)s_uq",
        "ix": "%(column_0_label)s_ix",
    }
)


class Instant(TypeDecorator[datetime]):
    """An aware datetime, stored exact to the microsecond."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:
        return None if value is None else to_micros(value)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        return None if value is None else from_micros(value)


#: Text in code point order. PostgreSQL would else sort by the database's language, and pages would differ by engine.
Word = Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def _table(name: str, *items: Any, key: tuple[str, ...], **options: Any) -> Table:
    return Table(name, metadata, *items, PrimaryKeyConstraint(*key), **options)


def _word(name: str, *, null: bool = False) -> Column[str]:
    return Column(name, Word, nullable=null)


def _instant(name: str, *, null: bool = False) -> Column[datetime]:
    return Column(name, Instant, nullable=null)


def _number(name: str, *, null: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=null, autoincrement=False)


def _blob(name: str, *, null: bool = False) -> Column[bytes]:
    return Column(name, LargeBinary, nullable=null)


#: One row a tenant, locked for as long as a write lasts: seqs and received_at are given under this lock.
tenants = _table(
    "tenants",
    _word("tenant"),
    _number("last_seq"),
    _instant("last_received_at"),
    _number("last_audit_seq"),
    key=("tenant",),
)

#: Every version of the rules by which records were judged, by content hash.
mapping_versions = _table(
    "mapping_versions",
    _word("tenant"),
    _word("version"),
    _number("first_seq"),
    _blob("content"),
    key=("tenant", "version"),
)

#: Every accepted record, append-only. `source` is who sent it; `slot_source` is "" where ids are tenant-wide.
journal = _table(
    "journal",
    _word("tenant"),
    _number("seq"),
    _instant("received_at"),
    _word("source"),
    _word("space"),
    _word("slot_source"),
    _word("record_id"),
    _word("kind"),
    _instant("at", null=True),
    _word("rules_version"),
    _word("principal"),
    _blob("record"),
    _blob("raw"),
    UniqueConstraint("tenant", "space", "slot_source", "record_id", name="journal_slot_uq"),
    Index("journal_received_ix", "tenant", "received_at"),
    key=("tenant", "seq"),
)

#: The drains, collectors and other records that a record speaks of.
journal_names = _table(
    "journal_names",
    _word("tenant"),
    _word("name_kind"),
    _word("name"),
    _number("seq"),
    key=("tenant", "name_kind", "name", "seq"),
    sqlite_with_rowid=False,
)

#: One row a (resource id before the first '.', commit). `parts` tells every part as of the row, `bodies` holds those
#: written by it, so that a commit costs one row and four index entries however many resources a record gives.
versions = _table(
    "versions",
    _word("tenant"),
    _word("id"),
    _number("seq"),
    _instant("received_at"),
    _word("patient", null=True),
    _word("drain", null=True),
    _instant("at", null=True),
    _word("slot", null=True),
    _blob("parts"),
    _blob("bodies"),
    Index("versions_seq_ix", "tenant", "seq"),
    Index("versions_patient_ix", "tenant", "patient", "at"),
    Index("versions_drain_ix", "tenant", "drain", "at"),
    key=("tenant", "id", "seq"),
)

#: Records that could not be accepted, with their bytes and the reasons. `reason` is why an operator gave one up, and
#: `closed_by` who replayed or discarded it, at `closed_at`.
held = _table(
    "held",
    _word("tenant"),
    _word("held_id"),
    _number("seq"),
    _instant("received_at"),
    _word("source"),
    _word("drain", null=True),
    _word("record_id", null=True),
    _word("state"),
    _number("replayed_as", null=True),
    _blob("digest"),
    _blob("problems"),
    _blob("raw"),
    _word("reason", null=True),
    _word("closed_by", null=True),
    _instant("closed_at", null=True),
    Index("held_state_ix", "tenant", "state", "held_id"),
    Index("held_drain_ix", "tenant", "drain", "state"),
    Index("held_digest_ix", "tenant", "digest"),
    key=("tenant", "held_id"),
)

#: What each destination should have and has, one row a resource.
outbox = _table(
    "outbox",
    _word("tenant"),
    _word("destination"),
    _word("id"),
    _word("part"),
    _number("wanted"),
    _number("sent"),
    _word("state"),
    _instant("next_at", null=True),
    _instant("lease_until", null=True),
    Column("attempts", Integer, nullable=False),
    _word("last_error", null=True),
    Index("outbox_due_ix", "tenant", "destination", "state", "next_at"),
    key=("tenant", "destination", "id", "part"),
)

#: API keys: only a hash of the secret. A key's text begins with its tenant, so that this look-up has one as well.
api_keys = _table(
    "api_keys",
    _word("tenant"),
    _word("key_id"),
    _blob("hash"),
    _word("source", null=True),
    _word("scopes"),
    _instant("created_at"),
    _instant("expires_at", null=True),
    _instant("revoked_at", null=True),
    _word("note"),
    key=("tenant", "key_id"),
)

#: Who read or wrote patient data, and whose.
audit = _table(
    "audit",
    _word("tenant"),
    _number("audit_seq"),
    _instant("at"),
    _word("principal"),
    _word("action"),
    _word("method"),
    _word("route"),
    _word("outcome"),
    _word("request_id"),
    _blob("patients"),
    _blob("drains"),
    Index("audit_at_ix", "tenant", "at"),
    key=("tenant", "audit_seq"),
)

#: Programs that ask for access tokens with a key pair of their own (SMART Backend Services). One of `jwks` and
#: `jwks_url` tells their public keys; no secret of theirs is kept. A client's id begins with its tenant.
clients = _table(
    "clients",
    _word("tenant"),
    _word("client_id"),
    _word("name"),
    _blob("jwks", null=True),
    _word("jwks_url", null=True),
    _word("scopes"),
    _instant("created_at"),
    _instant("revoked_at", null=True),
    key=("tenant", "client_id"),
)

#: Assertions that clients have used, until they would have expired: none is good twice, at whichever replica.
assertions = _table(
    "assertions",
    _word("tenant"),
    _word("client_id"),
    _word("jti"),
    _instant("expires_at"),
    Index("assertions_expires_ix", "tenant", "expires_at"),
    key=("tenant", "client_id", "jti"),
)

#: Bulk exports. `request` is what was ordered, `horizon` the last seq that is told of, of the time `as_of`; who works
#: at it has it until `lease_until`. `files` tells what was written, `touched` whose data is in each file.
exports = _table(
    "exports",
    _word("tenant"),
    _word("export_id"),
    _word("caller"),
    _word("state"),
    _number("horizon"),
    _instant("as_of"),
    _instant("created_at"),
    _word("worker", null=True),
    _instant("lease_until", null=True),
    Column("attempts", Integer, nullable=False),
    _number("done"),
    Column("percent", Integer, nullable=False),
    _instant("expires_at", null=True),
    _blob("request"),
    _blob("files", null=True),
    _blob("touched", null=True),
    key=("tenant", "export_id"),
)
