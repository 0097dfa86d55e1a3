"""Access tokens that this service gives out: signed, so that every replica can read them, and good for five minutes.

`dlt_PAYLOAD.SUM`, both base64url: opaque to whoever holds one. The sum is HMAC-SHA-256 under a key made of the patient
secret for this use alone. Who is revoked meanwhile is let in no more: the client is looked up each time.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Final

import msgspec
from msgspec import Struct

from drainledger.store import clients
from drainledger.store.store import Store
from drainledger.web.auth.principal import Principal
from drainledger.web.auth.refusals import TokenRefused
from drainledger.web.auth.smart import scopes_of, types_of

PREFIX: Final = "dlt_"
#: SMART App Launch 2.2.0, backend-services.html: `expires_in` should be no more than 300 s.
GOOD_FOR: Final = timedelta(seconds=300)


class _Payload(Struct, frozen=True, array_like=True):
    client_id: str
    scopes: str
    expires: int
    nonce: str


class AccessTokens:
    """Gives tokens out and says who they stand for. `secret` is the same in every replica."""

    def __init__(self, store: Store, secret: bytes, clock: Callable[[], datetime]) -> None:
        self._store, self._clock = store, clock
        self._key = hashlib.blake2b(secret, person=b"dl-access-token", digest_size=32).digest()

    def give(self, client: clients.ClientRow, scopes: Sequence[str]) -> str:
        """A token of this client for these scopes."""
        expires = int((self._clock() + GOOD_FOR).timestamp())
        payload = _Payload(client.client_id, " ".join(scopes), expires, secrets.token_hex(8))
        told = _text(msgspec.json.encode(payload))
        return f"{PREFIX}{told}.{_text(self._sum(told))}"

    def verify(self, token: str) -> Principal:
        """Raises TokenRefused. Looks into the database."""
        payload = self._read(token)
        now = self._clock()
        if payload.expires <= now.timestamp():
            raise TokenRefused("expired")
        client = clients.find(self._store, payload.client_id)
        if client is None or not client.is_good(now):
            raise TokenRefused("client revoked")
        return Principal(
            tenant=client.tenant,
            name=f"client:{client.client_id}",
            scopes=scopes_of(payload.scopes),
            client=client.client_id,
            types=types_of(payload.scopes),
        )

    def _read(self, token: str) -> _Payload:
        told, _, sum_ = token.removeprefix(PREFIX).partition(".")
        try:
            if not hmac.compare_digest(_bytes(sum_), self._sum(told)):
                raise TokenRefused("not of this service")
            return msgspec.json.decode(_bytes(told), type=_Payload)
        except (binascii.Error, ValueError):
            raise TokenRefused("malformed") from None

    def _sum(self, told: str) -> bytes:
        return hmac.digest(self._key, told.encode(), "sha256")


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
