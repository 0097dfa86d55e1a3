"""`POST /oauth/token` (RFC 6749, 4.4; SMART App Launch 2.2.0, backend-services.html, 'Obtain access token') and
`/.well-known/smart-configuration` (conformance.html), at the root and under each FHIR base."""

from __future__ import annotations

from typing import Final
from urllib.parse import parse_qsl

from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.web import logs
from drainledger.web.auth.guard import address_of
from drainledger.web.auth.refusals import KeysUnavailable
from drainledger.web.body import BodyLimits, read_body
from drainledger.web.oauth.access_tokens import GOOD_FOR
from drainledger.web.oauth.scopes import granted
from drainledger.web.problems import Refusal, retry_after
from drainledger.web.reply import json_reply
from drainledger.web.service import Service, origin_of, service_of

router = APIRouter()

TOKEN_PATH: Final = "/oauth/token"
_ASSERTION_TYPE: Final = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_FORM: Final = "application/x-www-form-urlencoded"
_LONGEST_BODY: Final = 1 << 16
_MOST_FIELDS: Final = 50
#: RFC 6749, 5.1: a token is kept by nobody on the way.
_UNKEPT: Final = {"Cache-Control": "no-store", "Pragma": "no-cache"}
_NOT_KNOWN: Final = (
    "The client is not known here, or its assertion does not prove it: iss and sub are the client_id, aud is this URL, "
    "exp is at most 5 minutes ahead, jti was never used before, and it is signed RS384 or ES384 by the registered key "
    "that kid names."
)


class _Refused(Exception):
    """An error of RFC 6749, 5.2."""

    def __init__(self, error: str, told: str) -> None:
        super().__init__(error)
        self.error, self.told = error, told


@router.post(TOKEN_PATH, include_in_schema=False)
async def token(request: Request) -> Response:
    """An access token for a client's assertion."""
    service = service_of(request)
    address = address_of(request)
    service.rate.take(address)
    try:
        answer = await _given(service, request)
    except _Refused as refused:
        status = 401 if refused.error == "invalid_client" else 400
        told = {"error": refused.error, "error_description": refused.told}
        return json_reply(told, status, _UNKEPT)
    service.rate.give_back(address)
    return json_reply(answer, 200, _UNKEPT)


async def _given(service: Service, request: Request) -> dict[str, object]:
    from drainledger.web.oauth.assertions import (
        AssertionRefused,  # cryptography: only for those who come here
    )

    form = await _form(service, request)
    if form.get("grant_type") != "client_credentials":
        raise _Refused("unsupported_grant_type", "grant_type is client_credentials here.")
    if form.get("client_assertion_type") != _ASSERTION_TYPE or not form.get("client_assertion"):
        raise _Refused(
            "invalid_request", f"client_assertion_type is {_ASSERTION_TYPE}, and client_assertion is a JWT."
        )
    url = f"{origin_of(request)}{TOKEN_PATH}"
    try:
        client = await service.oauth.assertions.client(form["client_assertion"], url)
    except AssertionRefused as refused:
        logs.logger().info("client not known", request=request.state.request, reason=refused.reason)
        raise _Refused("invalid_client", _NOT_KNOWN) from None
    except KeysUnavailable:
        raise Refusal(
            "keys-unavailable",
            "The key set at the client's URL is out of reach. Try again later.",
            headers=retry_after(10),
        ) from None
    request.state.tenant = client.tenant
    if form.get("client_id", client.client_id) != client.client_id:
        raise _Refused("invalid_client", _NOT_KNOWN)
    scopes = granted(form.get("scope", "").split(), client.scopes)
    if not scopes:
        raise _Refused(
            "invalid_scope",
            "None of the scopes asked for may be given to this client. Ask for system/Type.rs.",
        )
    return {
        "access_token": service.oauth.tokens.give(client, scopes),
        "token_type": "bearer",
        "expires_in": int(GOOD_FOR.total_seconds()),
        "scope": " ".join(scopes),
    }


async def _form(service: Service, request: Request) -> dict[str, str]:
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != _FORM:
        raise _Refused("invalid_request", f"The body is a form: Content-Type: {_FORM}.")
    limits = BodyLimits(
        sent=_LONGEST_BODY, unpacked=_LONGEST_BODY, ratio=10, seconds=service.settings.body_seconds
    )
    with service.budget.share() as take:
        raw = await read_body(request, limits, take)
    try:
        pairs = parse_qsl(raw.decode(), keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict")
    except ValueError:
        raise _Refused("invalid_request", "The form can't be read.") from None
    form = dict(pairs)
    if len(form) != len(pairs):
        raise _Refused("invalid_request", "A parameter is there more than once.")
    return form


@router.get("/.well-known/smart-configuration", include_in_schema=False)
@router.get("/fhir/R4/.well-known/smart-configuration", include_in_schema=False)
@router.get("/fhir/R5/.well-known/smart-configuration", include_in_schema=False)
async def smart_configuration(request: Request) -> Response:
    """What a SMART client can do here, and where."""
    origin = origin_of(request)
    return json_reply(
        {
            "token_endpoint": f"{origin}{TOKEN_PATH}",
            "grant_types_supported": ["client_credentials"],
            "token_endpoint_auth_methods_supported": ["private_key_jwt"],
            "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
            "scopes_supported": ["system/*.rs", "system/*.cruds", "system/Observation.rs"],
            "capabilities": ["client-confidential-asymmetric", "permission-v2"],
        }
    )
