"""Access tokens: JSON Web Tokens of one issuer for this service alone (RFC 7519, 8725, 9068)."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from joserfc import jwt
from joserfc.errors import InvalidKeyIdError, JoseError

from drainledger.settings import Settings
from drainledger.web.auth.keyset import PublicKeys
from drainledger.web.auth.principal import Principal
from drainledger.web.auth.refusals import TokenRefused
from drainledger.web.auth.smart import scopes_of, types_of

#: Public-key signatures alone. `none` says nothing, and a shared secret invites taking a public key for one.
ALGORITHMS: Final = ("RS256", "ES256")


class Tokens:
    """Checks tokens and says who they stand for."""

    def __init__(self, settings: Settings, keys: PublicKeys, clock: Callable[[], datetime]) -> None:
        self._settings, self._keys = settings, keys
        self._claims = jwt.JWTClaimsRegistry(
            now=lambda: int(clock().timestamp()),
            leeway=int(settings.jwt_leeway_seconds),
            iss={"essential": True, "value": settings.jwt_issuer or ""},
            aud={"essential": True, "value": settings.jwt_audience or ""},
            exp={"essential": True},
        )

    async def verify(self, token: str) -> Principal:
        """Raises TokenRefused, KeysUnavailable."""
        try:
            claims = await self._signed(token)
            self._claims.validate(claims)
        except JoseError as error:
            raise TokenRefused(error.error or "not accepted") from None
        except (ValueError, TypeError, KeyError, RecursionError):
            raise TokenRefused("malformed") from None
        return self._principal(claims)

    async def _signed(self, token: str) -> dict[str, Any]:
        try:
            return jwt.decode(token, await self._keys.get(), algorithms=ALGORITHMS).claims
        except InvalidKeyIdError:
            # The issuer may have changed its keys since they were fetched.
            return jwt.decode(token, await self._keys.get(missed=True), algorithms=ALGORITHMS).claims

    def _principal(self, claims: dict[str, Any]) -> Principal:
        tenant = claims.get(self._settings.jwt_tenant_claim)
        if not isinstance(tenant, str) or not tenant or not tenant.isprintable() or tenant != tenant.strip():
            raise TokenRefused("no tenant")
        client = _text(claims.get(self._settings.jwt_client_claim))
        subject = _text(claims.get("sub")) or client
        if subject is None:
            raise TokenRefused("no subject")
        claimed = _scope_text(claims.get("scope", claims.get("scp")))
        return Principal(
            tenant=tenant,
            name=f"token:{subject}",
            scopes=scopes_of(claimed),
            client=client,
            types=types_of(claimed),
        )


def _text(claim: object) -> str | None:
    return claim if isinstance(claim, str) and claim and claim.isprintable() else None


def _scope_text(claim: object) -> str:
    """Issuers write scopes as one text (RFC 8693) or as a list of texts."""
    if isinstance(claim, list):
        return " ".join(one for one in claim if isinstance(one, str))
    return claim if isinstance(claim, str) else ""
