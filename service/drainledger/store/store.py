"""The store: one transaction to write, one state to read, a tenant at a time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from sqlalchemy import Connection, func, inspect, select, text

from drainledger.domain.naming import Tie
from drainledger.store import schema
from drainledger.store.engine import Database
from drainledger.store.errors import SchemaAhead, SchemaBehind
from drainledger.store.instants import from_micros
from drainledger.store.read import BATCH, Read
from drainledger.store.tenancy import lock_tenant
from drainledger.store.write import Write


class Store:
    """A database with the schema in place. Thread-safe; what `read` and `write` yield belongs to one thread.

    Errors of the database come out as StoreBusy (nothing was written; try again) or StoreUnavailable.
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self.dialect = database.dialect

    @classmethod
    def open(cls, url: str, *, check_schema: bool = True, readers: int = 8) -> Store:
        """`sqlite:///FILE` or `postgresql://...`. Raises BadDatabaseUrl, SchemaBehind, SchemaAhead."""
        store = cls(Database(url, readers))
        if check_schema:
            try:
                store.ping()
            except BaseException:
                store.close()
                raise
        return store

    @contextmanager
    def write(self, tenant: str, received_at: datetime) -> Iterator[Write]:
        """One transaction under the tenant's lock. It commits at the end of the block: when that has returned, what was
        written is on disk. An exception in the block leaves nothing behind."""
        with self.database.write() as connection:
            state = lock_tenant(connection, tenant)
            write = Write(connection, tenant, state, received_at)
            yield write
            write.finish()

    @contextmanager
    def read(self, tenant: str) -> Iterator[Read]:
        """One state of the tenant: what is committed meanwhile is not seen."""
        with self.database.read() as connection:
            yield Read(connection, tenant)

    def ping(self) -> None:
        """Whether the database answers and has the schema of this release; raises what is wrong."""
        if not self.database.exists:
            raise SchemaBehind(None, schema.HEAD)
        with self.database.aside() as connection:
            have = revision(connection)
        if have != schema.HEAD:
            older = have is None or have < schema.HEAD
            raise (SchemaBehind if older else SchemaAhead)(have, schema.HEAD)

    def tenants(self) -> list[str]:
        """Everyone who ever wrote, in code point order."""
        with self.database.read() as connection:
            return list(connection.scalars(select(schema.tenants.c.tenant).order_by(schema.tenants.c.tenant)))

    def names(self, tenant: str) -> Iterator[Tie]:
        """The drains and then the collectors that a tenant's journal speaks of. No connection is held between two."""
        for kind in ("drain", "collector"):
            after = ""
            while True:
                with self.read(tenant) as read:
                    found = read.names(kind, after, BATCH)
                yield from ((kind, name) for name in found)
                if len(found) < BATCH:
                    break
                after = found[-1]

    def last_received_at(self) -> datetime:
        """The latest commit of any tenant; 1970 where there is none."""
        with self.database.aside() as connection:
            found = connection.scalar(select(func.max(schema.tenants.c.last_received_at)))
        return from_micros(0) if found is None else found

    def close(self) -> None:
        self.database.close()


def revision(connection: Connection) -> str | None:
    """The schema's revision, None in an empty database. Revisions sort in their order."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return found
