"""What HTTP itself says of a request's head, settled before any route sees it (RFC 3986, 9110, 9112)."""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import unquote

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from drainledger.web.problems import Refusal

#: A slash and a percent sign that were encoded are part of a name, and stay encoded until the route is found.
_KEPT: Final = re.compile("%(2f|25)", re.IGNORECASE)


class RequestHead:
    """ASGI middleware, inside the envelope: paths are routed as they were encoded, so that `a%2Fledger` is one name; a
    HEAD is answered as a GET without its body; a body of two lengths is refused."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        _check_framing(scope)
        scope["path"] = routed(scope.get("raw_path") or scope["path"].encode())
        if scope["method"] != "HEAD":
            await self._app(scope, receive, send)
            return
        scope["method"] = "GET"
        scope.setdefault("state", {})["asked_as"] = "HEAD"

        async def without_body(message: Message) -> None:
            if message["type"] == "http.response.body":
                message["body"] = b""
            await send(message)

        try:
            await self._app(scope, receive, without_body)
        finally:
            scope["method"] = "HEAD"


def routed(raw: bytes) -> str:
    """The path with its encoded characters as they are meant, but for slashes and percent signs within a segment."""
    return unquote(_KEPT.sub(r"%25\1", raw.decode("ascii", "replace")))


def _check_framing(scope: Scope) -> None:
    """RFC 9112, 6.1: what stands before this service may take the other of the two lengths, and then see two requests
    where this sees one."""
    names = {name.lower() for name, _ in scope["headers"]}
    if {b"content-length", b"transfer-encoding"} <= names:
        raise Refusal(
            "bad-framing",
            "Send Content-Length or Transfer-Encoding, never both. Nothing of this request was taken.",
            headers={"Connection": "close"},
        )
