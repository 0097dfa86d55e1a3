"""The tenant's row: whoever holds it gives the next seq. It is held to the commit, so that nobody ever sees a later
seq, or a later received_at, before an earlier one."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from msgspec import Struct
from sqlalchemy import Connection, select, update
from sqlalchemy.dialects import postgresql, sqlite

from drainledger.store.instants import from_micros
from drainledger.store.schema import tenants


class TenantState(Struct):
    """The last of what a tenant was given."""

    seq: int
    received_at: datetime
    audit_seq: int


NOTHING = TenantState(0, from_micros(0), 0)


def lock_tenant(connection: Connection, tenant: str) -> TenantState:
    """Waits for the tenant's row, makes it on first use, and holds it for the rest of the transaction.

    On SQLite the lock is the database's, taken as the transaction began.
    """
    state = _select(connection, tenant)
    if state is None:
        connection.execute(
            insert_new(connection, tenants),
            {"tenant": tenant, "last_seq": 0, "last_received_at": NOTHING.received_at, "last_audit_seq": 0},
        )
        state = _select(connection, tenant)
    assert state is not None, "a row that was just made is there"
    return state


def save_tenant(connection: Connection, tenant: str, state: TenantState) -> None:
    connection.execute(
        update(tenants).where(tenants.c.tenant == tenant),
        {
            "last_seq": state.seq,
            "last_received_at": state.received_at,
            "last_audit_seq": state.audit_seq,
        },
    )


def insert_new(connection: Connection, table: Any) -> Any:
    """An insert that passes over rows whose key is there, in the words of either engine."""
    if connection.dialect.name == "sqlite":
        return sqlite.insert(table).on_conflict_do_nothing()
    return postgresql.insert(table).on_conflict_do_nothing()


def _select(connection: Connection, tenant: str) -> TenantState | None:
    columns = tenants.c
    query = (
        select(columns.last_seq, columns.last_received_at, columns.last_audit_seq)
        .where(columns.tenant == tenant)
        .with_for_update()
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else TenantState(*row)
