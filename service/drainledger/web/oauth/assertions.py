"""Who a client's assertion stands for (SMART App Launch 2.2.0, client-confidential-asymmetric.html, 'Authenticating to
the Token endpoint' and 'Response'; RFC 7523, section 3)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import time
from collections import OrderedDict
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import msgspec
from joserfc import jwt
from joserfc.errors import InvalidKeyIdError, JoseError
from joserfc.jwk import KeySet
from starlette.concurrency import run_in_threadpool

from drainledger.store import clients
from drainledger.store.clients import ClientRow
from drainledger.store.store import Store
from drainledger.web.auth import keyset

#: Those that the guide names; a shared secret or none is never taken.
ALGORITHMS: Final = ("RS384", "ES384")
#: How far ahead `exp` may be: the guide's five minutes.
MOST_AHEAD: Final = timedelta(minutes=5)
_LONGEST: Final = 8192
_LONGEST_JTI: Final = 512
_REMEMBERED: Final = 1000


class AssertionRefused(Exception):
    """It proves nothing. `reason` is for the log: a word or two, nothing of the assertion."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Assertions:
    """Checks assertions, and keeps the key sets that clients have at URLs. `leeway`: how far clocks may differ, s."""

    def __init__(self, store: Store, clock: Callable[[], datetime], leeway: float) -> None:
        self._store, self._clock = store, clock
        self._leeway = timedelta(seconds=leeway)
        self._fetched: OrderedDict[str, keyset.PublicKeys] = OrderedDict()

    async def client(self, assertion: str, token_url: str) -> ClientRow:
        """The client whose assertion it is; it is used up by this. Raises AssertionRefused, KeysUnavailable."""
        header, claimed = _unverified(assertion)
        client = await self._claimant(claimed)
        _check_header(header, client)
        claims = await self._signed(assertion, client)
        expires_at = self._check_claims(claims, token_url)
        if not await self._use(client, claims, expires_at):
            raise AssertionRefused("used before")
        return client

    async def _claimant(self, claims: dict[str, Any]) -> ClientRow:
        issuer = claims.get("iss")
        if not isinstance(issuer, str) or claims.get("sub") != issuer:
            raise AssertionRefused("iss and sub differ")
        client = await run_in_threadpool(clients.find, self._store, issuer)
        if client is None:
            raise AssertionRefused("unknown client")
        if not client.is_good(self._clock()):
            raise AssertionRefused("revoked client")
        return client

    async def _signed(self, assertion: str, client: ClientRow) -> dict[str, Any]:
        try:
            return await self._decoded(assertion, client)
        except InvalidKeyIdError:
            raise AssertionRefused("unknown key") from None
        except JoseError as error:
            raise AssertionRefused(error.error or "not accepted") from None
        except (ValueError, TypeError, KeyError, RecursionError):
            raise AssertionRefused("malformed") from None

    async def _decoded(self, assertion: str, client: ClientRow) -> dict[str, Any]:
        if client.jwks is not None:
            return _decode(assertion, keyset.usable(client.jwks))
        keys = self._keys_at(client.jwks_url or "")
        try:
            return _decode(assertion, await keys.get())
        except InvalidKeyIdError:
            # The client may have changed its keys since they were fetched.
            return _decode(assertion, await keys.get(missed=True))

    def _keys_at(self, url: str) -> keyset.PublicKeys:
        found = self._fetched.pop(url, None) or keyset.PublicKeys(keyset.from_url(url), time.monotonic)
        self._fetched[url] = found
        if len(self._fetched) > _REMEMBERED:
            self._fetched.popitem(last=False)
        return found

    def _check_claims(self, claims: dict[str, Any], token_url: str) -> datetime:
        """When it expires. Raises AssertionRefused."""
        audience = claims.get("aud")
        if token_url not in (audience if isinstance(audience, list) else [audience]):
            raise AssertionRefused("for another audience")
        now = self._clock()
        expires_at = _instant(claims.get("exp"))
        if expires_at is None:
            raise AssertionRefused("without exp")
        if expires_at <= now - self._leeway:
            raise AssertionRefused("expired")
        if expires_at > now + MOST_AHEAD + self._leeway:
            raise AssertionRefused("good for too long")
        not_before = claims.get("nbf")
        if not_before is not None and (_instant(not_before) or expires_at) > now + self._leeway:
            raise AssertionRefused("not good yet")
        return expires_at

    async def _use(self, client: ClientRow, claims: dict[str, Any], expires_at: datetime) -> bool:
        jti = claims.get("jti")
        if not isinstance(jti, str) or not 0 < len(jti) <= _LONGEST_JTI:
            raise AssertionRefused("without jti")
        # A sum: it may hold anything, and of any length.
        named = hashlib.blake2b(jti.encode(errors="surrogatepass"), digest_size=32).hexdigest()
        return await run_in_threadpool(
            clients.use_assertion,
            self._store,
            client,
            named,
            expires_at=expires_at + self._leeway,
            now=self._clock(),
        )


def _decode(assertion: str, keys: KeySet) -> dict[str, Any]:
    return jwt.decode(assertion, keys, algorithms=list(ALGORITHMS)).claims


def _unverified(assertion: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Header and claims as they say: by them it is found out whose keys to look for, and nothing else."""
    pieces = assertion.split(".")
    if len(assertion) > _LONGEST or len(pieces) != 3:
        raise AssertionRefused("malformed")
    header, claims = map(_piece, pieces[:2])
    return header, claims


def _piece(text: str) -> dict[str, Any]:
    try:
        raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
        return msgspec.json.decode(raw, type=dict[str, Any])
    except (binascii.Error, ValueError, RecursionError):
        raise AssertionRefused("malformed") from None


def _check_header(header: dict[str, Any], client: ClientRow) -> None:
    if header.get("alg") not in ALGORITHMS:
        raise AssertionRefused("another algorithm")
    kid = header.get("kid")
    if not isinstance(kid, str) or not kid:
        raise AssertionRefused("without kid")
    if "jku" in header and header["jku"] != client.jwks_url:
        raise AssertionRefused("another key set")


def _instant(seconds: object) -> datetime | None:
    if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not 0 < seconds < 1e11:
        return None
    return datetime.fromtimestamp(seconds, UTC)
