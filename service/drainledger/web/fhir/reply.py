"""Answers below `/fhir` as sent."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime
from typing import Any, Final

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from drainledger.fhir.fragments import encode
from drainledger.web import etags
from drainledger.web.fhir.formats import Chosen
from drainledger.web.fhir.outcome import media_type_of

#: What is patients' may be kept by the caller alone, and is asked for again each time.
PRIVATE: Final = {"Cache-Control": "private, no-cache", "Vary": "Accept, Authorization"}


def fhir_reply(
    request: Request,
    body: dict[str, Any] | bytes,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """A resource in the form that the caller chose. Not kept by anybody, unless `headers` say otherwise."""
    content = body if isinstance(body, bytes) else encode(body)
    chosen: Chosen = getattr(request.state, "fhir_format", Chosen())
    if chosen.pretty:
        content = msgspec.json.format(content, indent=2) + b"\n"
    kept = {"Cache-Control": "no-store", **(headers or {}), "Content-Type": media_type_of(request.scope)}
    return Response(content, status, kept)


def version_tag(version: int | str) -> str:
    """A version's ETag, always weak (R4 http.html#versioning)."""
    return f'W/"{version}"'


def validators(version: int | str, updated: datetime) -> dict[str, str]:
    """The headers ETag and Last-Modified of one version of a resource."""
    told = format_datetime(updated.astimezone(UTC).replace(microsecond=0), usegmt=True)
    return {"ETag": version_tag(version), "Last-Modified": told}


def is_known(request: Request, version: int | str, updated: datetime) -> bool:
    """Whether the caller has this version (R4 http.html#cread; RFC 9110, 13.2.2: If-None-Match goes before)."""
    if_none_match = request.headers.get("if-none-match")
    if if_none_match is not None:
        return etags.matches(if_none_match, f'"{version}"')
    since = _http_date(request.headers.get("if-modified-since"))
    return since is not None and updated.replace(microsecond=0) <= since


def _http_date(text: str | None) -> datetime | None:
    """RFC 9110, 13.1.3: a date that can't be read is passed over."""
    try:
        found = parsedate_to_datetime(text or "")
    except ValueError:
        return None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
