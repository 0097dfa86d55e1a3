"""`GET /{type}/{id}/_history` and `GET /{type}/_history` (R4 http.html#history), a page at a time, the newest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import islice
from typing import Any, Final
from urllib.parse import urlencode

import msgspec
from fastapi import APIRouter, Request
from msgspec import Struct
from starlette.responses import Response

from drainledger.fhir.resource import Fhir
from drainledger.rest.repository import EVER, Period
from drainledger.rest.stored import Position, Stored
from drainledger.store.read import Read
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.access import FhirReader, require, touch
from drainledger.web.fhir.base import dialect_of, fhir_base, own_url, served_type, service_of, type_name
from drainledger.web.fhir.formats import once
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.fhir.parameters import refuse_unknown
from drainledger.web.fhir.periods import moment_or_period
from drainledger.web.fhir.reply import fhir_reply, version_tag
from drainledger.web.fhir.subset import Part, part_asked, subset, tagged
from drainledger.web.pages import bad_cursor
from drainledger.web.service import Service
from drainledger.web.v1.calls import in_thread

router = APIRouter()

Json = dict[str, Any]

PAGE: Final = 50
MOST: Final = 1000
#: Beyond this many versions a total would take longer than the page, and is left out.
COUNTED: Final = 10_000
_KNOWN: Final = frozenset(
    {"_count", "_since", "_at", "cursor", "_format", "_pretty", "_summary", "_elements"}
)


class Asked(Struct, frozen=True, kw_only=True):
    """What of a history is asked for. `after` None: the first page; `horizon` the last seq that it speaks of."""

    count: int
    since: datetime | None
    at: Period | None
    horizon: int
    after: Position | None = None
    total: int | None = None


class Page(Struct, frozen=True):
    """Some versions; whether there are more; how many there are in all, None where nobody counted."""

    entries: Sequence[tuple[Position, Stored]]
    more: bool
    total: int | None


@router.get("/{type}/{id}/_history")
async def instance_history(request: Request, principal: FhirReader, type: str, id: str) -> Response:
    """Every version of a resource."""
    return await _answer(request, principal, type, id)


@router.get("/{type}/_history")
async def type_history(request: Request, principal: FhirReader, type: str) -> Response:
    """Every version of every resource of a type."""
    return await _answer(request, principal, type, None)


async def _answer(request: Request, principal: Principal, type: str, id: str | None) -> Response:
    service = service_of(request)
    async with service.audit.access(request, principal, "history") as access:
        kind = served_type(request, type)
        require(principal, kind)
        refuse_unknown(request, _KNOWN)
        part = part_asked(request)
        asked = _asked(request, service, principal, kind, id)

        def answered() -> Response:
            with service.store.read(principal.tenant) as read:
                settled = asked if asked.horizon else msgspec.structs.replace(asked, horizon=read.last_seq())
                page = _page(service, read, kind, id, settled, count=part.summary == "count")
            touch(access, *(stored for _, stored in page.entries))
            return fhir_reply(request, _bundle(request, principal, kind, id, settled, page, part))

        return await in_thread(answered)


# What is asked


def _asked(request: Request, service: Service, principal: Principal, type: str, id: str | None) -> Asked:
    """Raises FhirRefusal `bad-parameter`, Refusal `bad-cursor`."""
    cursor = once(request, "cursor")
    if cursor is not None:
        return _decode(service.cursors.read(principal.tenant, _listed(request, type, id), cursor))
    since = moment_or_period("_since", once(request, "_since"))
    return Asked(
        count=_count(once(request, "_count")),
        since=None if since is None else since.start,
        at=moment_or_period("_at", once(request, "_at")),
        horizon=0,
    )


def _count(text: str | None) -> int:
    if text is None:
        return PAGE
    if not (text.isascii() and text.isdigit()):
        raise FhirRefusal("bad-parameter", "Write a whole number, 0 or more.", parameter="_count")
    return min(int(text[:9]), MOST)


def _listed(request: Request, type: str, id: str | None) -> str:
    """A cursor holds for one list alone."""
    return "\0".join(("history", dialect_of(request), type, id or ""))


def _decode(position: str) -> Asked:
    try:
        return msgspec.json.decode(position, type=Asked)
    except msgspec.MsgspecError:
        raise bad_cursor() from None


# What there is


def _page(service: Service, read: Read, type: str, id: str | None, asked: Asked, *, count: bool) -> Page:
    """Raises FhirRefusal `not-found` for the history of what never was."""
    if id is None:
        return _type_page(service, read, type, asked, count=count)
    versions = list(service.rest.repository.history(read, type, id))
    if not versions:
        raise FhirRefusal("not-found", "There is no resource of this type and id here.")
    found = [each for each in _standing(versions, asked) if each[0][0] <= asked.horizon]
    rest = [each for each in found if _is_after(each[0], asked.after)]
    wanted = 0 if count else asked.count
    return Page(rest[:wanted], 0 < wanted < len(rest), len(found))


def _type_page(service: Service, read: Read, type: str, asked: Asked, *, count: bool) -> Page:
    repository = service.rest.repository
    period = EVER if asked.since is None else Period(start=asked.since)
    wanted = 0 if count else asked.count
    versions = repository.type_history(
        read, type, asked.horizon, after=asked.after, period=period, at=asked.at
    )
    entries = list(islice(versions, wanted + 1)) if wanted else []
    total = asked.total
    if asked.after is None:
        total = repository.count(read, type, asked.horizon, COUNTED, period=period, at=asked.at)
    return Page(entries[:wanted], len(entries) > wanted > 0, total)


def _standing(versions: Sequence[tuple[Position, Stored]], asked: Asked) -> Iterator[tuple[Position, Stored]]:
    """Those made at `_since` or later, and current at some time of `_at`; the newest first."""
    until: datetime | None = None
    for position, stored in versions:
        made, ended = stored.updated, until
        until = made
        if asked.since is not None and made < asked.since:
            continue
        if asked.at is not None and not _overlaps(asked.at, made, ended):
            continue
        yield position, stored


def _overlaps(period: Period, made: datetime, ended: datetime | None) -> bool:
    begins = period.end is None or made < period.end
    return begins and (ended is None or period.start is None or ended > period.start)


def _is_after(position: Position, after: Position | None) -> bool:
    return after is None or (-position[0], *position[1:]) > (-after[0], *after[1:])


# How it is told


def _bundle(
    request: Request, principal: Principal, type: str, id: str | None, asked: Asked, page: Page, part: Part
) -> Json:
    fhir, base = dialect_of(request), fhir_base(request)
    links = [{"relation": "self", "url": _url(request, _self_query(request))}]
    if page.more:
        last = msgspec.structs.replace(asked, after=page.entries[-1][0], total=page.total)
        cursor = service_of(request).cursors.give(
            principal.tenant, _listed(request, type, id), msgspec.json.encode(last).decode()
        )
        links.append({"relation": "next", "url": _next_url(request, cursor)})
    written: Json = {
        "resourceType": "Bundle",
        "type": "history",
        "timestamp": service_of(request).clock().astimezone(UTC).isoformat(),
        "total": page.total,
        "link": links,
        "entry": [_entry(base, fhir, stored, part) for _, stored in page.entries],
    }
    told = {name: value for name, value in written.items() if value not in (None, [])}
    return tagged(told) if part.summary == "count" else told


_SHOWN: Final = ("_count", "_since", "_at", "cursor", "_summary", "_elements", "_format", "_pretty")


def _self_query(request: Request) -> str:
    """What was understood, and nothing else."""
    return urlencode([(name, value) for name in _SHOWN for value in request.query_params.getlist(name)])


def _url(request: Request, query: str) -> str:
    return f"{own_url(request)}?{query}" if query else own_url(request)


def _next_url(request: Request, cursor: str) -> str:
    kept = [
        (name, value)
        for name in ("_summary", "_elements", "_format", "_pretty")
        for value in request.query_params.getlist(name)
    ]
    return _url(request, urlencode([("cursor", cursor), *kept]))


def _entry(base: str, fhir: Fhir, stored: Stored, part: Part) -> Json:
    """A version with the interaction that made it: the first a creation, later ones updates (bdl-3, bdl-4)."""
    reference = f"{type_name(fhir, stored.type)}/{stored.id}"
    resource = stored.resource(fhir)
    return {
        "fullUrl": f"{base}/{reference}",
        "resource": subset(resource, fhir, summary=part.summary, elements=part.elements),
        "request": {"method": "PUT", "url": reference},
        "response": {
            "status": "201" if stored.version == 1 else "200",
            "etag": version_tag(stored.version),
            "lastModified": stored.last_updated,
        },
    }
