"""The first tables. It stays as it is: a change of the schema is a revision of its own."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def _word(name: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, WORD, nullable=null)


def _number(name: str, *, null: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), nullable=null, autoincrement=False)


def _blob(name: str) -> sa.Column[bytes]:
    return sa.Column(name, sa.LargeBinary(), nullable=False)


def upgrade() -> None:
    _journal()
    _resources()
    _held()
    _access()


def _journal() -> None:
    op.create_table(
        "tenants",
        _word("tenant"),
        _number("last_seq"),
        _number("last_received_at"),
        _number("last_audit_seq"),
        sa.PrimaryKeyConstraint("tenant", name="tenants_pk"),
    )
    op.create_table(
        "mapping_versions",
        _word("tenant"),
        _word("version"),
        _number("first_seq"),
        _blob("content"),
        sa.PrimaryKeyConstraint("tenant", "version", name="mapping_versions_pk"),
    )
    op.create_table(
        "journal",
        _word("tenant"),
        _number("seq"),
        _number("received_at"),
        _word("source"),
        _word("space"),
        _word("slot_source"),
        _word("record_id"),
        _word("kind"),
        _number("at", null=True),
        _word("rules_version"),
        _word("principal"),
        _blob("record"),
        _blob("raw"),
        sa.PrimaryKeyConstraint("tenant", "seq", name="journal_pk"),
        sa.UniqueConstraint("tenant", "space", "slot_source", "record_id", name="journal_slot_uq"),
    )
    op.create_index("journal_received_ix", "journal", ["tenant", "received_at"])
    op.create_table(
        "journal_names",
        _word("tenant"),
        _word("name_kind"),
        _word("name"),
        _number("seq"),
        sa.PrimaryKeyConstraint("tenant", "name_kind", "name", "seq", name="journal_names_pk"),
        sqlite_with_rowid=False,
    )


def _resources() -> None:
    op.create_table(
        "versions",
        _word("tenant"),
        _word("id"),
        _number("seq"),
        _number("received_at"),
        _word("patient", null=True),
        _word("drain", null=True),
        _number("at", null=True),
        _word("slot", null=True),
        _blob("parts"),
        _blob("bodies"),
        sa.PrimaryKeyConstraint("tenant", "id", "seq", name="versions_pk"),
    )
    op.create_index("versions_seq_ix", "versions", ["tenant", "seq"])
    op.create_index("versions_patient_ix", "versions", ["tenant", "patient", "at"])
    op.create_index("versions_drain_ix", "versions", ["tenant", "drain", "at"])
    op.create_table(
        "outbox",
        _word("tenant"),
        _word("destination"),
        _word("id"),
        _word("part"),
        _number("wanted"),
        _number("sent"),
        _word("state"),
        _number("next_at", null=True),
        _number("lease_until", null=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        _word("last_error", null=True),
        sa.PrimaryKeyConstraint("tenant", "destination", "id", "part", name="outbox_pk"),
    )
    op.create_index("outbox_due_ix", "outbox", ["tenant", "destination", "state", "next_at"])


def _held() -> None:
    op.create_table(
        "held",
        _word("tenant"),
        _word("held_id"),
        _number("seq"),
        _number("received_at"),
        _word("source"),
        _word("drain", null=True),
        _word("record_id", null=True),
        _word("state"),
        _number("replayed_as", null=True),
        _blob("digest"),
        _blob("problems"),
        _blob("raw"),
        sa.PrimaryKeyConstraint("tenant", "held_id", name="held_pk"),
    )
    op.create_index("held_state_ix", "held", ["tenant", "state", "held_id"])
    op.create_index("held_drain_ix", "held", ["tenant", "drain", "state"])
    op.create_index("held_digest_ix", "held", ["tenant", "digest"])


def _access() -> None:
    op.create_table(
        "api_keys",
        _word("tenant"),
        _word("key_id"),
        _blob("hash"),
        _word("source", null=True),
        _word("scopes"),
        _number("created_at"),
        _number("expires_at", null=True),
        _number("revoked_at", null=True),
        _word("note"),
        sa.PrimaryKeyConstraint("tenant", "key_id", name="api_keys_pk"),
    )
    op.create_table(
        "audit",
        _word("tenant"),
        _number("audit_seq"),
        _number("at"),
        _word("principal"),
        _word("action"),
        _word("method"),
        _word("route"),
        _word("outcome"),
        _word("request_id"),
        _blob("patients"),
        _blob("drains"),
        sa.PrimaryKeyConstraint("tenant", "audit_seq", name="audit_pk"),
    )
    op.create_index("audit_at_ix", "audit", ["tenant", "at"])
