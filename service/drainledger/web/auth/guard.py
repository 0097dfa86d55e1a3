"""Before each route: who calls, whether they may, and whether they ask too often."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from starlette.concurrency import run_in_threadpool

from drainledger.store import keys
from drainledger.store.errors import KeyRefused
from drainledger.web import logs
from drainledger.web.audit import Access
from drainledger.web.auth.principal import SCOPES, Principal, Scope
from drainledger.web.auth.refusals import KeysUnavailable, TokenRefused
from drainledger.web.demo import ANYBODY
from drainledger.web.oauth.access_tokens import PREFIX
from drainledger.web.problems import Refusal, retry_after
from drainledger.web.service import Service, service_of

BEARER = HTTPBearer(
    auto_error=False,
    scheme_name="bearer",
    description="`Authorization: Bearer KEY`: an API key made by `drainledger keys create`, or an access token (JWT) "
    "of the issuer that the service is set to.",
)


class May:
    """A dependency that gives the caller, who may use `scope`; else it raises Refusal `not-authenticated`,
    `not-allowed`, `too-many-requests` or `keys-unavailable`."""

    def __init__(self, scope: Scope) -> None:
        self.scope = scope

    def admits(self, principal: Principal) -> bool:
        return self.scope in principal.scopes

    async def __call__(
        self,
        request: Request,
        bearer: Annotated[HTTPAuthorizationCredentials | None, Security(BEARER)],
    ) -> Principal:
        service = service_of(request)
        if service.demo:
            principal = ANYBODY
        else:
            principal = await _known(service, request, bearer.credentials if bearer else None)
        request.state.tenant = principal.tenant
        service.rate.take(f"{principal.tenant}\0{principal.name}")
        if not self.admits(principal):
            await service.audit.note(request, principal, "refused", Access(outcome=403))
            raise Refusal(
                "not-allowed",
                f"This needs the scope {self.scope}, which the key or token does not have.",
                headers=insufficient_scope(),
            )
        return principal


_CHALLENGE = 'Bearer realm="drainledger"'


def insufficient_scope() -> dict[str, str]:
    """RFC 6750, 3.1: who calls is known, and may not do this."""
    return {"WWW-Authenticate": f'{_CHALLENGE}, error="insufficient_scope"'}


Writer = Annotated[Principal, Depends(May("records.write"))]
Reader = Annotated[Principal, Depends(May("read"))]
Operator = Annotated[Principal, Depends(May("operate"))]


async def _known(service: Service, request: Request, credentials: str | None) -> Principal:
    stranger = _let_in(service, request, credentials)
    try:
        principal = await _verified(service, credentials)
    except (KeyRefused, TokenRefused) as refused:
        # The reason is for the log: whoever tries keys learns nothing from the answer.
        logs.logger().info("caller not known", request=request.state.request, reason=refused.reason)
        if stranger is None:
            service.acquainted.forget(credentials or "")
            service.rate.take(address_of(request))
        error = ', error="invalid_token"' if credentials else ""
        raise Refusal(
            "not-authenticated",
            "Send Authorization: Bearer and a key or token that is valid here and has not expired or been revoked.",
            headers={"WWW-Authenticate": _CHALLENGE + error},
        ) from None
    except KeysUnavailable:
        raise Refusal(
            "keys-unavailable",
            "Access tokens can't be checked: the issuer's keys are out of reach. Try again later, or use an API key.",
            headers=retry_after(10),
        ) from None
    if stranger is not None:
        service.rate.give_back(stranger)
    service.acquainted.add(credentials or "")
    return principal


def _let_in(service: Service, request: Request, credentials: str | None) -> str | None:
    """Counts, before anything is looked up, who was not known before; by address, for a name can be made up. Gives what
    was counted, None for credentials that were good before: others at their address can't shut them out.

    Raises Refusal `too-many-requests`."""
    if credentials is not None and credentials in service.acquainted:
        return None
    address = address_of(request)
    service.rate.take(address)
    return address


def address_of(request: Request) -> str:
    """What strangers are counted by."""
    return f"\0{request.client.host if request.client else ''}"


async def _verified(service: Service, credentials: str | None) -> Principal:
    if credentials is None:
        raise TokenRefused("none")
    if credentials.startswith("dl_"):
        row = await run_in_threadpool(keys.verify, service.store, credentials, service.clock())
        return Principal(
            tenant=row.tenant,
            name=f"key:{row.key_id}",
            scopes=frozenset(scope for scope in SCOPES if scope in row.scopes),
            source=row.source,
        )
    if credentials.startswith(PREFIX):
        return await run_in_threadpool(service.oauth.tokens.verify, credentials)
    if service.tokens is None:
        raise TokenRefused("no issuer is set")
    return await service.tokens.verify(credentials)
