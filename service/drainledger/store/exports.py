"""Bulk exports: what was ordered, who works at it, and what came of it. Any replica can answer for all of them.

A job is taken by one worker of one process, who has it as long as the lease is renewed; one whose lease has run out is
taken up by the next. Of a tenant one is at work at a time.
"""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Any, Final, Literal, TypeAlias

from msgspec import Struct
from sqlalchemy import Connection, Row, and_, delete, func, insert, or_, select, update

from drainledger.store.schema import exports
from drainledger.store.store import Store
from drainledger.store.tenancy import lock_tenant

State: TypeAlias = Literal["queued", "running", "complete", "failed"]
_OPEN: Final[tuple[State, ...]] = ("queued", "running")


class ExportRow(Struct, frozen=True, kw_only=True):
    """A job. `request` is the order, `files` and `touched` what came of it: bytes that are opaque here. `percent` of
    what is to be read has been, and `done` resources are written."""

    tenant: str
    export_id: str
    caller: str
    state: State
    horizon: int
    as_of: datetime
    created_at: datetime
    worker: str | None = None
    lease_until: datetime | None = None
    attempts: int = 0
    done: int = 0
    percent: int = 0
    expires_at: datetime | None = None
    request: bytes = b""
    files: bytes | None = None
    touched: bytes | None = None


def new(
    tenant: str, caller: str, request: bytes, *, horizon: int, as_of: datetime, now: datetime
) -> ExportRow:
    """A job that nobody has begun; its id can't be guessed."""
    return ExportRow(
        tenant=tenant,
        export_id=secrets.token_hex(16),
        caller=caller,
        state="queued",
        horizon=horizon,
        as_of=as_of,
        created_at=now,
        request=request,
    )


def add(store: Store, row: ExportRow, *, most: int) -> bool:
    """Puts a job into the tenant's queue; False where `most` are in it or at work."""
    with store.database.write() as connection:
        lock_tenant(connection, row.tenant)
        waiting = connection.scalar(
            select(func.count())
            .select_from(exports)
            .where(exports.c.tenant == row.tenant, exports.c.state.in_(_OPEN))
        )
        if (waiting or 0) >= most:
            return False
        connection.execute(insert(exports), {name: getattr(row, name) for name in row.__struct_fields__})
    return True


def find(store: Store, tenant: str, export_id: str) -> ExportRow | None:
    with store.database.aside() as connection:
        row = connection.execute(select(exports).where(*_this(tenant, export_id))).one_or_none()
    return None if row is None else _export(row)


def take(store: Store, worker: str, *, now: datetime, lease_until: datetime) -> ExportRow | None:
    """The oldest job that can be begun, which is this worker's now; None where there is none."""
    with store.database.aside() as connection:
        candidates = list(connection.execute(_candidates(now)))
    for tenant, export_id in candidates:
        with store.database.write() as connection:
            lock_tenant(connection, tenant)
            if _is_at_work(connection, tenant, now):
                continue
            taken = connection.execute(
                update(exports)
                .where(*_this(tenant, export_id), _free(now))
                .values(
                    state="running", worker=worker, lease_until=lease_until, attempts=exports.c.attempts + 1
                )
                .returning(*exports.c)
            ).one_or_none()
        if taken is not None:
            return _export(taken)
    return None


def renew(store: Store, row: ExportRow, *, lease_until: datetime, done: int = 0, percent: int = 0) -> bool:
    """Goes on for a while. False where the job is this worker's no more: cancelled, or taken up by another."""
    return _change(store, row, lease_until=lease_until, done=done, percent=percent)


def give_back(store: Store, row: ExportRow) -> bool:
    """Leaves a job to whoever takes it next, as if it had not been begun."""
    return _change(store, row, state="queued", worker=None, lease_until=None, attempts=row.attempts - 1)


def complete(
    store: Store, row: ExportRow, *, files: bytes, touched: bytes, done: int, expires_at: datetime
) -> bool:
    return _change(
        store,
        row,
        state="complete",
        worker=None,
        lease_until=None,
        files=files,
        touched=touched,
        done=done,
        percent=100,
        expires_at=expires_at,
    )


def fail(store: Store, row: ExportRow, *, expires_at: datetime) -> bool:
    return _change(store, row, state="failed", worker=None, lease_until=None, expires_at=expires_at)


def remove(store: Store, tenant: str, export_id: str) -> None:
    """The job is known no more; a worker who is at it notices when it renews its lease."""
    with store.database.write() as connection:
        connection.execute(delete(exports).where(*_this(tenant, export_id)))


def expired(store: Store, now: datetime) -> list[tuple[str, str]]:
    """(tenant, id) of jobs whose files are to go."""
    query = select(exports.c.tenant, exports.c.export_id).where(exports.c.expires_at <= now)
    with store.database.aside() as connection:
        return [(tenant, export_id) for tenant, export_id in connection.execute(query)]


def _this(tenant: str, export_id: str) -> tuple[Any, ...]:
    return exports.c.tenant == tenant, exports.c.export_id == export_id


def _free(now: datetime) -> Any:
    return or_(exports.c.state == "queued", and_(exports.c.state == "running", exports.c.lease_until <= now))


def _candidates(now: datetime) -> Any:
    return (
        select(exports.c.tenant, exports.c.export_id)
        .where(_free(now))
        .order_by(exports.c.created_at, exports.c.export_id)
    )


def _is_at_work(connection: Connection, tenant: str, now: datetime) -> bool:
    query = select(exports.c.export_id).where(
        exports.c.tenant == tenant, exports.c.state == "running", exports.c.lease_until > now
    )
    return connection.execute(query).first() is not None


def _change(store: Store, row: ExportRow, **values: Any) -> bool:
    """Only while the job is still the worker's who took it."""
    mine = (exports.c.state == "running", exports.c.worker == row.worker, exports.c.attempts == row.attempts)
    with store.database.write() as connection:
        changed = connection.execute(
            update(exports).where(*_this(row.tenant, row.export_id), *mine).values(**values)
        )
        return changed.rowcount == 1


def _export(row: Row[*tuple[Any, ...]]) -> ExportRow:
    return ExportRow(**row._mapping)
