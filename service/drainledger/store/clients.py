"""Programs that get access tokens by proof of a private key (SMART App Launch 2.2.0, 'Client Authentication:
Asymmetric', client-confidential-asymmetric.html).

What is kept of one is public: its keys, or where they are. A client's id is `dlc_TENANT_ID`, so that a look-up by it
has a tenant as every other has.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Collection
from datetime import datetime
from typing import Any, Final

from msgspec import Struct
from sqlalchemy import Row, delete, insert, select, update

from drainledger.store.errors import UnknownClient
from drainledger.store.schema import assertions, clients
from drainledger.store.store import Store
from drainledger.store.tenancy import insert_new

_ID: Final = re.compile(r"dlc_([A-Za-z0-9._~-]{1,64})_([0-9a-f]{16})")
_TENANT: Final = re.compile(r"[A-Za-z0-9._~-]{1,64}")
_LONGEST_NAME: Final = 100


class ClientRow(Struct, frozen=True, kw_only=True):
    """A client. One of `jwks`, a JSON Web Key Set of public keys (RFC 7517), and `jwks_url` is there. `scopes` are the
    SMART scopes that it may be given."""

    tenant: str
    client_id: str
    name: str
    jwks: bytes | None
    jwks_url: str | None
    scopes: tuple[str, ...]
    created_at: datetime
    revoked_at: datetime | None

    def is_good(self, now: datetime) -> bool:
        return self.revoked_at is None or self.revoked_at > now


def create(
    store: Store,
    tenant: str,
    *,
    name: str,
    jwks: bytes | None,
    jwks_url: str | None,
    scopes: Collection[str],
    now: datetime,
) -> ClientRow:
    """A new client. ValueError where an argument can't be so; that keys and scopes are usable is the caller's part."""
    if not _TENANT.fullmatch(tenant):
        raise ValueError("a tenant with clients is named in 1 to 64 letters, digits and ._~-")
    if not name.strip() or not name.isprintable() or len(name) > _LONGEST_NAME:
        raise ValueError(f"a client's name has 1 to {_LONGEST_NAME} visible characters")
    if (jwks is None) == (jwks_url is None):
        raise ValueError("a client has a key set, or the URL of one, and not both")
    if not scopes:
        raise ValueError("a client without scopes could do nothing")
    row = ClientRow(
        tenant=tenant,
        client_id=f"dlc_{tenant}_{secrets.token_hex(8)}",
        name=name,
        jwks=jwks,
        jwks_url=jwks_url,
        scopes=tuple(sorted(set(scopes))),
        created_at=now,
        revoked_at=None,
    )
    values: dict[str, Any] = {field: getattr(row, field) for field in row.__struct_fields__}
    with store.database.write() as connection:
        connection.execute(insert(clients), values | {"scopes": " ".join(row.scopes)})
    return row


def find(store: Store, client_id: str) -> ClientRow | None:
    """The client of this id, revoked or not."""
    match = _ID.fullmatch(client_id)
    if match is None:
        return None
    query = select(clients).where(clients.c.tenant == match[1], clients.c.client_id == client_id)
    with store.database.aside() as connection:
        row = connection.execute(query).one_or_none()
    return None if row is None else _client(row)


def revoke(store: Store, tenant: str, client_id: str, now: datetime) -> None:
    """The client is given no token from now on, and those that it has open nothing. Raises UnknownClient."""
    mine = (clients.c.tenant == tenant, clients.c.client_id == client_id)
    with store.database.write() as connection:
        if connection.execute(select(clients.c.name).where(*mine)).first() is None:
            raise UnknownClient(client_id)
        # One that was revoked before stays so since then.
        connection.execute(update(clients).where(*mine, clients.c.revoked_at.is_(None)), {"revoked_at": now})


def list_clients(store: Store, tenant: str | None = None) -> list[ClientRow]:
    """All clients of a tenant, or of all, the oldest first."""
    query = select(clients).order_by(clients.c.tenant, clients.c.created_at, clients.c.client_id)
    if tenant is not None:
        query = query.where(clients.c.tenant == tenant)
    with store.database.read() as connection:
        return [_client(row) for row in connection.execute(query)]


def use_assertion(store: Store, client: ClientRow, jti: str, *, expires_at: datetime, now: datetime) -> bool:
    """Notes that the client has used the assertion that `jti` names; False where it had before. It is remembered until
    `expires_at`, after which the assertion is good for nothing by itself."""
    mine = (assertions.c.tenant == client.tenant,)
    key = {"tenant": client.tenant, "client_id": client.client_id, "jti": jti}
    with store.database.write() as connection:
        connection.execute(delete(assertions).where(*mine, assertions.c.expires_at < now))
        added = connection.execute(
            insert_new(connection, assertions)
            .values(**key, expires_at=expires_at)
            .returning(assertions.c.jti)
        )
        return added.first() is not None


def _client(row: Row[*tuple[Any, ...]]) -> ClientRow:
    return ClientRow(
        tenant=row.tenant,
        client_id=row.client_id,
        name=row.name,
        jwks=row.jwks,
        jwks_url=row.jwks_url,
        scopes=tuple(row.scopes.split()),
        created_at=row.created_at,
        revoked_at=row.revoked_at,
    )
