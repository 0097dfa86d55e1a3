"""Clients that ask for access tokens, the assertions that they have used, and bulk exports."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "clients",
        _word("tenant"),
        _word("client_id"),
        _word("name"),
        sa.Column("jwks", sa.LargeBinary, nullable=True),
        _word("jwks_url", null=True),
        _word("scopes"),
        _number("created_at"),
        _number("revoked_at", null=True),
        sa.PrimaryKeyConstraint("tenant", "client_id", name="clients_pk"),
    )
    op.create_table(
        "assertions",
        _word("tenant"),
        _word("client_id"),
        _word("jti"),
        _number("expires_at"),
        sa.PrimaryKeyConstraint("tenant", "client_id", "jti", name="assertions_pk"),
    )
    op.create_index("assertions_expires_ix", "assertions", ["tenant", "expires_at"])
    op.create_table(
        "exports",
        _word("tenant"),
        _word("export_id"),
        _word("caller"),
        _word("state"),
        _number("horizon"),
        _number("as_of"),
        _number("created_at"),
        _word("worker", null=True),
        _number("lease_until", null=True),
        sa.Column("attempts", sa.Integer, nullable=False),
        _number("done"),
        sa.Column("percent", sa.Integer, nullable=False),
        _number("expires_at", null=True),
        sa.Column("request", sa.LargeBinary, nullable=False),
        sa.Column("files", sa.LargeBinary, nullable=True),
        sa.Column("touched", sa.LargeBinary, nullable=True),
        sa.PrimaryKeyConstraint("tenant", "export_id", name="exports_pk"),
    )


def _word(name: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, WORD, nullable=null)


def _number(name: str, *, null: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=null)
