"""An entry of a batch that reads: the route that answers such a request, asked without going through the network."""

from __future__ import annotations

from typing import Final
from urllib.parse import unquote

from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import Message, Scope

from drainledger.fhir.fragments import encode
from drainledger.web.fhir.base import dialect_of, fhir_base
from drainledger.web.fhir.outcome import FhirRefusal, of_refusal
from drainledger.web.problems import Refusal

#: What of the call itself goes with each of its entries.
_HEADERS: Final = frozenset({b"authorization", b"host", b"prefer"})
_LONGEST: Final = 8192


class Told(Struct, frozen=True):
    """What a route answered. Header names are in lower case."""

    status: int
    headers: dict[str, str]
    body: bytes


async def ask(request: Request, url: str, headers: dict[str, str], path: str) -> Told:
    """GET `url`, relative to the FHIR base or absolute below it, as the caller of `request`. `path` is the FHIRPath of
    the entry's request. What the route refuses is told as its OperationOutcome."""
    try:
        scope = _scope(request, url, headers, path)
        return await _asked(request, scope)
    except Refusal as refusal:
        return _refused(request, refusal)
    except HTTPException as error:
        code = "method-not-allowed" if error.status_code == 405 else "not-found"
        return _refused(
            request, FhirRefusal(code, "See metadata for what there is.", expression=[f"{path}.url"])
        )


def _refused(request: Request, refusal: Refusal) -> Told:
    return Told(refusal.status, dict(refusal.headers), encode(of_refusal(refusal)))


def _scope(request: Request, url: str, headers: dict[str, str], path: str) -> Scope:
    """The request that the entry stands for. Raises FhirRefusal as `relative` does."""
    where, _, query = relative(request, url, path).partition("?")
    raw_path = f"/fhir/{dialect_of(request)}/{where}"
    own = [(name, value) for name, value in request.scope["headers"] if name in _HEADERS]
    more = [(name.lower().encode(), value.encode("latin-1", "replace")) for name, value in headers.items()]
    return {
        **request.scope,
        "method": "GET",
        "path": unquote(raw_path),
        "raw_path": raw_path.encode(),
        "query_string": query.encode(),
        "headers": [*own, *more],
        "state": {"request": request.state.request},
    }


def relative(request: Request, url: str, path: str) -> str:
    """The URL of an entry's request without the base. Raises FhirRefusal `bad-resource` where it leads elsewhere."""
    at = [f"{path}.url"]
    within = url.removeprefix(f"{fhir_base(request)}/")
    if "://" in within.partition("?")[0] or within.startswith("/") or len(within) > _LONGEST:
        raise FhirRefusal(
            "bad-resource", "An entry's url is relative to the base of this call.", expression=at
        )
    if not within.isascii() or any(mark.isspace() or not mark.isprintable() for mark in within):
        raise FhirRefusal("bad-resource", "An entry's url is percent-encoded.", expression=at)
    return within


async def _asked(request: Request, scope: Scope) -> Told:
    status, headers, pieces = 500, {}, []

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        nonlocal status, headers
        if message["type"] == "http.response.start":
            status = message["status"]
            headers = {name.decode().lower(): value.decode("latin-1") for name, value in message["headers"]}
        else:
            pieces.append(message.get("body", b""))

    for used in ("path_params", "route", "endpoint"):
        scope.pop(used, None)
    await request.app.router(scope, receive, send)
    told = Told(status, headers, b"".join(pieces))
    if told.body and not told.headers.get("content-type", "").startswith("application/fhir+json"):
        raise FhirRefusal("not-supported", "What this gives is no resource: ask for it by itself.")
    return told
