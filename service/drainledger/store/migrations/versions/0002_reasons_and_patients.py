"""Why a held record was closed, when, and by whom; versions name patients by their Patients' ids."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
VERSIONS = sa.table("versions", *(sa.column(name) for name in ("tenant", "id", "patient", "parts")))


def upgrade() -> None:
    op.add_column("held", sa.Column("reason", WORD, nullable=True))
    op.add_column("held", sa.Column("closed_by", WORD, nullable=True))
    op.add_column("held", sa.Column("closed_at", sa.BigInteger, nullable=True))
    # What was replayed was closed by the commit that journaled it; when something was discarded, nobody noted.
    op.execute(
        "UPDATE held SET closed_at = (SELECT received_at FROM journal"
        " WHERE journal.tenant = held.tenant AND journal.seq = held.replayed_as) WHERE state = 'replayed'"
    )
    _name_patients()


def _name_patients() -> None:
    """The Patient that stands under an identifier tells the id of all that bears the identifier."""
    connection = op.get_bind()
    columns = VERSIONS.c
    for tenant, identifier, id_ in list(_patients(connection)):
        connection.execute(
            sa.update(VERSIONS)
            .where(columns.tenant == tenant, columns.patient == identifier)
            .values(patient=id_)
        )


def _patients(connection: sa.Connection) -> Iterator[tuple[str, str, str]]:
    columns = VERSIONS.c
    query = sa.select(columns.tenant, columns.patient, columns.id, columns.parts).where(
        columns.patient.is_not(None), columns.patient != columns.id
    )
    seen = set()
    for tenant, identifier, id_, parts in connection.execute(query, execution_options={"yield_per": 500}):
        types = {part[0] for part in msgspec.msgpack.decode(parts).values()}
        if types == {"Patient"} and (tenant, identifier) not in seen:
            seen.add((tenant, identifier))
            yield tenant, identifier, id_
