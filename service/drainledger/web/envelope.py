"""Around every request: a name for it, common headers, the log line, the figures; and no fault gets out unanswered."""

from __future__ import annotations

import asyncio
import secrets
import time
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from drainledger.fhir.fragments import encode
from drainledger.web import logs
from drainledger.web.caution import REQUEST_HEADER, common_headers
from drainledger.web.demo import from_here
from drainledger.web.fhir.outcome import is_fhir, media_type_of, of_refusal
from drainledger.web.metrics import known_method
from drainledger.web.problems import MEDIA_TYPE, Refusal, problem, retry_after
from drainledger.web.routes import template_of
from drainledger.web.service import Service

#: Asked for every few seconds by machines: not worth a line each.
_QUIET: Final = frozenset({"/health/live", "/health/ready", "/metrics"})


class Envelope:
    """ASGI middleware; the outermost of the service's own."""

    def __init__(self, app: ASGIApp, service: Service) -> None:
        self._app = app
        self._service = service

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        scope.setdefault("state", {})["request"] = secrets.token_hex(8)
        answer = _Answer(send, self._headers(scope))
        started = time.perf_counter()
        try:
            await self._answered(scope, receive, answer)
        finally:
            self._tell(scope, answer, time.perf_counter() - started)

    def _headers(self, scope: Scope) -> list[tuple[bytes, bytes]]:
        headers = common_headers(demo=self._service.demo, secured=scope["scheme"] == "https")
        return [*headers, (REQUEST_HEADER.lower().encode(), scope["state"]["request"].encode())]

    async def _answered(self, scope: Scope, receive: Receive, answer: _Answer) -> None:
        try:
            with self._service.gate.passing():
                if self._service.demo:
                    from_here(scope)
                await self._app(scope, receive, answer.send)
        except Refusal as refusal:
            await refused(self._service, refusal, scope)(scope, receive, answer.send)
        except asyncio.CancelledError:
            if answer.begun:
                raise
            # The time to finish is up. Not raised again: whoever calls is told in words, not by a bare 500.
            await refused(self._service, _CUT_OFF, scope)(scope, receive, answer.send)
        except Exception as fault:
            logs.logger().error("fault", request=scope["state"]["request"], **logs.told(fault))
            if answer.begun:
                raise  # half an answer must not look whole: the connection is cut
            await refused(self._service, _FAULT, scope)(scope, receive, answer.send)

    def _tell(self, scope: Scope, answer: _Answer, seconds: float) -> None:
        route = template_of(scope)
        self._service.metrics.answered(scope["method"], route, answer.status, seconds)
        if route in _QUIET:
            return
        logs.logger().info(
            "request",
            request=scope["state"]["request"],
            tenant=scope["state"].get("tenant"),
            method=known_method(scope["method"]),
            route=route,
            status=answer.status,
            code=scope["state"].get("code"),
            ms=round(seconds * 1000, 1),
            sent=answer.length,
        )


_CUT_OFF: Final = Refusal(
    "stopping",
    "The service stops and could not wait for the end of this request. Of records it is not known whether they were "
    "taken: send them again, and those that were are duplicates.",
    headers={**retry_after(5), "Connection": "close"},
)
_FAULT: Final = Refusal(
    "fault",
    "This is a fault of the service, and it is in its log under the request's name. Please report it.",
)


class _Answer:
    """Adds the common headers to what is sent, and remembers how it went. Status 0: nothing was sent."""

    def __init__(self, send: Send, headers: list[tuple[bytes, bytes]]) -> None:
        self._send, self._headers = send, headers
        self.status = 0
        self.length = 0

    @property
    def begun(self) -> bool:
        return self.status != 0

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = MutableHeaders(raw=message.setdefault("headers", []))
            for name, value in self._headers:
                headers.setdefault(name.decode(), value.decode())
        else:
            self.length += len(message.get("body", b""))
        await self._send(message)


def refused(service: Service, refusal: Refusal, scope: Scope) -> Response:
    """The answer to a call that was refused."""
    service.metrics.refused(refusal.code)
    scope["state"]["code"] = refusal.code
    headers = {"Cache-Control": "no-store", **refusal.headers}
    if is_fhir(scope):
        told = encode(of_refusal(refusal))
        return Response(told, refusal.status, headers | {"Content-Type": media_type_of(scope)})
    body = problem(refusal, base=service.settings.base, request=scope["state"]["request"])
    return Response(body, refusal.status, headers, media_type=MEDIA_TYPE)
