"""The public keys that access tokens are checked with: from a file, or from the issuer's URL (RFC 7517)."""

from __future__ import annotations

import asyncio
from base64 import urlsafe_b64decode
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final, cast

import msgspec
from joserfc.errors import JoseError
from joserfc.jwk import DictKey, JWKRegistry, Key, KeySet

from drainledger.web import logs
from drainledger.web.auth.refusals import KeysUnavailable

#: Keys are fetched again when they are this old, s; and for a key that is not known, at most this often.
KEPT: Final = 600.0
AT_MOST_EVERY: Final = 30.0
_WITHOUT_ANY: Final = 2.0
_LONGEST: Final = 1 << 20
#: The whole set has come by then, s; what is waited for meanwhile is the callers'.
_WITHIN: Final = 10.0
_LEAST_RSA_BITS: Final = 2048


class PublicKeys:
    """A key set that is fetched when first needed and kept. `fetch` gives its JSON; `now` is monotonic seconds."""

    def __init__(self, fetch: Callable[[], Awaitable[bytes]], now: Callable[[], float]) -> None:
        self._fetch, self._now = fetch, now
        self._kept: KeySet | None = None
        self._fetched = self._tried = float("-inf")
        self._one_at_a_time = asyncio.Lock()

    async def get(self, *, missed: bool = False) -> KeySet:
        """The keys. `missed`: a token named a key that is not among them, so that the issuer may have new ones.

        Where they can't be fetched anew the ones kept go on. Raises KeysUnavailable.
        """
        async with self._one_at_a_time:
            if self._is_due(missed):
                await self._renew()
        if self._kept is None:
            raise KeysUnavailable
        return self._kept

    def _is_due(self, missed: bool) -> bool:
        now = self._now()
        due = missed or self._kept is None or now - self._fetched > KEPT
        return due and now - self._tried >= (_WITHOUT_ANY if self._kept is None else AT_MOST_EVERY)

    async def _renew(self) -> None:
        self._tried = self._now()
        try:
            self._kept = usable(await self._fetch())
            self._fetched = self._tried
        except Exception as error:  # whatever is wrong there, those who have known keys go on
            logs.logger().warning("the token issuer's keys can't be had", **logs.told(error))


def usable(raw: bytes) -> KeySet:
    """The keys for signatures that are public-key ones and long enough. A shared secret is never taken: who can read
    the set could sign with it. Raises ValueError where none is left."""
    listed = msgspec.json.decode(raw, type=dict[str, msgspec.Raw]).get("keys", msgspec.Raw(b"[]"))
    keys = [key for one in msgspec.json.decode(listed, type=list[dict[str, object]]) if (key := _key(one))]
    if not keys:
        raise ValueError("the key set holds no usable key")
    return KeySet(keys)


def _key(data: dict[str, object]) -> Key | None:
    if data.get("kty") not in ("RSA", "EC") or data.get("use", "sig") != "sig":
        return None
    # The private half, should somebody have published it, has no business here.
    public = {
        name: value for name, value in data.items() if name not in ("d", "p", "q", "dp", "dq", "qi", "oth")
    }
    try:
        if data["kty"] == "RSA" and len(urlsafe_b64decode(f"{data['n']}==")) * 8 < _LEAST_RSA_BITS:
            return None
        return JWKRegistry.import_key(cast(DictKey, public))
    except (JoseError, ValueError, TypeError, KeyError):
        return None


def from_file(path: Path) -> Callable[[], Awaitable[bytes]]:
    async def fetch() -> bytes:
        return await asyncio.to_thread(path.read_bytes)

    return fetch


def from_url(url: str, seconds: float = _WITHIN) -> Callable[[], Awaitable[bytes]]:
    async def fetch() -> bytes:
        import httpx  # here, where it is needed: the service starts without it

        async with (
            asyncio.timeout(seconds),  # the client's own is for each piece
            httpx.AsyncClient(timeout=5, follow_redirects=False) as client,
            client.stream("GET", url, headers={"Accept": "application/json"}) as answer,
        ):
            answer.raise_for_status()
            body = bytearray()
            async for chunk in answer.aiter_bytes():
                body += chunk
                if len(body) > _LONGEST:
                    raise ValueError("the key set is too long")
            return bytes(body)

    return fetch
