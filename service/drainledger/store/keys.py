"""API keys: `dl_TENANT_ID_SECRET`. The secret is 256 random bits, shown once and kept as a hash.

A secret that can't be guessed needs no slow hash: one BLAKE2b (RFC 7693), keyed with the key's id, keeps a reader of
the database from using what is there, and costs a request nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any, Final, Literal, NamedTuple, TypeAlias, get_args

from msgspec import Struct
from sqlalchemy import Connection, Row, insert, select, update

from drainledger.store.errors import KeyRefused, UnknownKey
from drainledger.store.schema import api_keys
from drainledger.store.store import Store

Scope: TypeAlias = Literal["records.write", "read", "operate"]
SCOPES: Final[tuple[str, ...]] = get_args(Scope)

#: What a header can carry, and what leaves the key readable: a tenant may hold '_', an id and a secret don't.
_TENANT: Final = re.compile(r"[A-Za-z0-9._~-]{1,64}")
_LETTERS: Final = "0123456789abcdefghjkmnpqrstvwxyz"  # no i, l, o, u: read aloud, they are mistaken
_ID_LENGTH: Final = 12
_SECRET_LENGTH: Final = 52  # of 5 bits each


class KeyRow(Struct, frozen=True, kw_only=True):
    """A key without its secret. `source` None: it is bound to no source. `expires_at` None: it doesn't expire."""

    tenant: str
    key_id: str
    source: str | None
    scopes: frozenset[str]
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    note: str

    def refusal(self, now: datetime) -> str | None:
        """Why the key opens nothing any more, or None where it does."""
        if self.revoked_at is not None and self.revoked_at <= now:
            return "revoked"
        return "expired" if self.expires_at is not None and self.expires_at <= now else None


class _Text(NamedTuple):
    tenant: str
    key_id: str
    secret: str


def create(
    store: Store,
    tenant: str,
    *,
    source: str | None,
    scopes: Collection[str],
    now: datetime,
    expires_at: datetime | None = None,
    note: str = "",
) -> tuple[str, KeyRow]:
    """A new key: its text, which nobody can show again, and its row. ValueError where an argument can't be so."""
    _check(tenant, scopes, expires_at, now)
    row = KeyRow(
        tenant=tenant,
        key_id=_random(_ID_LENGTH),
        source=source,
        scopes=frozenset(scopes),
        created_at=now,
        expires_at=expires_at,
        revoked_at=None,
        note=note,
    )
    with store.database.write() as connection:
        return _insert(connection, row), row


def verify(store: Store, text: str, now: datetime) -> KeyRow:
    """The key that opens with this text. Raises KeyRefused, whose reason is for the log alone: malformed, unknown,
    wrong-secret, revoked or expired."""
    given = _parse(text)
    with store.database.aside() as connection:
        row = connection.execute(_one(given.tenant, given.key_id)).one_or_none()
    # An unknown id takes as long as a known one.
    kept = b"" if row is None else row.hash
    right = hmac.compare_digest(kept, _hash(given.key_id, given.secret))
    if row is None:
        raise KeyRefused("unknown")
    if not right:
        raise KeyRefused("wrong-secret")
    key = _key(row)
    refusal = key.refusal(now)
    if refusal is not None:
        raise KeyRefused(refusal)
    return key


def revoke(store: Store, tenant: str, key_id: str, now: datetime) -> KeyRow:
    """The key opens nothing from now on; one that was revoked before stays so since then. Raises UnknownKey."""
    with store.database.write() as connection:
        key = _known(connection, tenant, key_id)
        if key.revoked_at is None:
            _set(connection, key, revoked_at=now)
        return _known(connection, tenant, key_id)


def rotate(
    store: Store, tenant: str, key_id: str, now: datetime, *, overlap: timedelta
) -> tuple[str, KeyRow]:
    """A new key in place of an old one, which goes on for `overlap` so that callers can change over. The new one has
    the old one's source, scopes, note and term. Raises UnknownKey, and KeyRefused where the old one is no good."""
    with store.database.write() as connection:
        old = _known(connection, tenant, key_id)
        refusal = old.refusal(now)
        if refusal is not None:
            raise KeyRefused(refusal)
        end = now + overlap
        _set(connection, old, expires_at=min(old.expires_at or end, end))
        new = KeyRow(
            tenant=tenant,
            key_id=_random(_ID_LENGTH),
            source=old.source,
            scopes=old.scopes,
            created_at=now,
            expires_at=None if old.expires_at is None else now + (old.expires_at - old.created_at),
            revoked_at=None,
            note=old.note,
        )
        return _insert(connection, new), new


def list_keys(store: Store, tenant: str | None = None) -> list[KeyRow]:
    """All keys of a tenant, or of all, the oldest first."""
    query = select(api_keys).order_by(api_keys.c.tenant, api_keys.c.created_at, api_keys.c.key_id)
    if tenant is not None:
        query = query.where(api_keys.c.tenant == tenant)
    with store.database.read() as connection:
        return [_key(row) for row in connection.execute(query)]


def _check(tenant: str, scopes: Collection[str], expires_at: datetime | None, now: datetime) -> None:
    if not _TENANT.fullmatch(tenant):
        raise ValueError("a tenant with API keys is named in 1 to 64 letters, digits and ._~-")
    if not scopes or not set(scopes) <= set(SCOPES):
        raise ValueError(f"a key has one or more of the scopes {', '.join(SCOPES)}")
    if expires_at is not None and expires_at <= now:
        raise ValueError("a new key can't have expired already")


def _parse(text: str) -> _Text:
    head, _, rest = text.partition("_")
    parts = rest.rsplit("_", 2)
    if head != "dl" or len(parts) != 3 or not text.isascii() or "\0" in text:
        raise KeyRefused("malformed")
    given = _Text(*parts)
    if not _TENANT.fullmatch(given.tenant) or len(given.secret) != _SECRET_LENGTH:
        raise KeyRefused("malformed")
    return given


def _random(length: int) -> str:
    return "".join(secrets.choice(_LETTERS) for _ in range(length))


def _hash(key_id: str, secret: str) -> bytes:
    return hashlib.blake2b(
        secret.encode(), digest_size=32, key=hashlib.sha256(key_id.encode()).digest()
    ).digest()


def _insert(connection: Connection, key: KeyRow) -> str:
    secret = _random(_SECRET_LENGTH)
    values = {name: getattr(key, name) for name in key.__struct_fields__}
    values |= {"scopes": " ".join(sorted(key.scopes)), "hash": _hash(key.key_id, secret)}
    connection.execute(insert(api_keys), values)
    return f"dl_{key.tenant}_{key.key_id}_{secret}"


def _one(tenant: str, key_id: str) -> Any:
    return select(api_keys).where(api_keys.c.tenant == tenant, api_keys.c.key_id == key_id)


def _known(connection: Connection, tenant: str, key_id: str) -> KeyRow:
    row = connection.execute(_one(tenant, key_id).with_for_update()).one_or_none()
    if row is None:
        raise UnknownKey(key_id)
    return _key(row)


def _set(connection: Connection, key: KeyRow, **values: datetime) -> None:
    mine = (api_keys.c.tenant == key.tenant, api_keys.c.key_id == key.key_id)
    connection.execute(update(api_keys).where(*mine), values)


def _key(row: Row[*tuple[Any, ...]]) -> KeyRow:
    return KeyRow(
        tenant=row.tenant,
        key_id=row.key_id,
        source=row.source,
        scopes=frozenset(row.scopes.split()),
        created_at=row.created_at,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        note=row.note,
    )
