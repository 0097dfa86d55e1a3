"""Answers as sent: JSON by msgspec, with validators where they are views."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from drainledger.web import etags

JSON = "application/json"
#: A view may be kept by the caller alone, and is asked for again each time: with If-None-Match that costs little.
_PRIVATE = {"Cache-Control": "private, no-cache"}


def json_reply(value: object, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """An answer that is not kept: what came of a call."""
    return Response(
        msgspec.json.encode(value), status, {"Cache-Control": "no-store", **(headers or {})}, media_type=JSON
    )


def view_reply(
    request: Request,
    body: bytes,
    media_type: str,
    *,
    etag: str | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """A view, or 304 where the caller has this very one. `etag` None: made from the bytes."""
    etag = etag or etags.of_bytes(body)
    kept = {**_PRIVATE, "ETag": etag, "Vary": "Accept, Authorization", **(headers or {})}
    if etags.matches(request.headers.get("if-none-match"), etag):
        return Response(status_code=304, headers=kept)
    return Response(body, 200, kept, media_type=media_type)
