"""`GET /v1/drains` and below: lists, one drain, its windows (DESIGN 6)."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from fastapi import APIRouter, Depends, Path, Query, Request
from starlette.responses import Response

from drainledger.web.auth.guard import Reader
from drainledger.web.instants import instant
from drainledger.web.names import Segment
from drainledger.web.openapi import VIEW, refusals, viewed
from drainledger.web.pages import next_link
from drainledger.web.parameters import once_each
from drainledger.web.problems import Refusal
from drainledger.web.reply import JSON, view_reply
from drainledger.web.service import service_of
from drainledger.web.v1 import drain_views, shapes
from drainledger.web.v1.calls import in_thread, ledger_of

router = APIRouter(prefix="/v1", tags=["views"], dependencies=[Depends(once_each)])

DrainId = Annotated[
    Segment, Path(description="the drain's id, percent-encoded: a slash in it is written `%2F`")
]
Cursor = Annotated[
    str | None, Query(max_length=1000, description="`next` of the page before; absent: the first")
]
Limit = Annotated[int, Query(ge=1, le=500, description="most on a page")]


@router.get(
    "/drains",
    summary="The drains, a page at a time",
    response_class=Response,
    responses={
        **viewed("A page, by drain id", shapes.DrainsPage, headers=("Link",)),
        **refusals(*VIEW, "bad-cursor"),
    },
)
async def list_drains(
    request: Request, principal: Reader, cursor: Cursor = None, limit: Limit = 100
) -> Response:
    """Each with its running total up to its latest anchor. A page may hold fewer than `limit`, or none, and yet not be
    the last: a drain whose record was retracted is left out. `next` tells."""
    service = service_of(request)
    async with service.audit.access(request, principal, "search") as access:
        after = service.cursors.read(principal.tenant, "drains", cursor)
        ledgers, last = await in_thread(lambda: service.views.drains(principal.tenant, after, limit))
        access.drains.update(ledger.drain.id for ledger in ledgers)
        more = None if last is None else service.cursors.give(principal.tenant, "drains", last)
        page = shapes.DrainsPage(drains=[drain_views.summary(ledger) for ledger in ledgers], next=more)
        headers = {"Link": next_link("/v1/drains", more, limit=limit)} if more else {}
        reply = view_reply(request, msgspec.json.encode(page), JSON, headers=headers)
        access.outcome = reply.status_code
        return reply


@router.get(
    "/drains/{drain}/windows",
    summary="A drain's output by shift and ward day, or over the hours up to an instant",
    response_class=Response,
    responses={**viewed("The windows", shapes.WindowsView), **refusals(*VIEW, "not-found")},
)
async def drain_windows(
    request: Request,
    principal: Reader,
    drain: DrainId,
    rolling: Annotated[
        Literal["1", "4", "8", "12", "24"] | None,
        Query(description="hours of one rolling window, instead of the charted ones"),
    ] = None,
    end: Annotated[
        str | None,
        Query(description="end of the rolling window, with an offset; absent: the drain's latest record"),
    ] = None,
) -> Response:
    """Charted windows count the intervals that end in them, as on paper; a rolling window shares each by time, and is
    `estimated` where it splits one."""
    service = service_of(request)
    async with service.audit.access(request, principal, "read") as access:
        access.drains.add(drain)
        until = instant("end", end)
        ledger, _ = await ledger_of(service, principal.tenant, drain)
        if rolling is None:
            if until is not None:
                raise Refusal("bad-parameter", "end goes with rolling=1, 4, 8, 12 or 24.", parameter="end")
            view = drain_views.windows(ledger)
        else:
            until = until or ledger.as_of
            if until is None:
                raise Refusal("bad-parameter", "The drain has no record yet: name an end.", parameter="end")
            view = drain_views.rolling_window(ledger, int(rolling), until)
        reply = view_reply(request, msgspec.json.encode(view), JSON)
        access.outcome = reply.status_code
        return reply


@router.get(
    "/drains/{drain}",
    summary="One drain",
    response_class=Response,
    responses={**viewed("The drain", shapes.DrainDetail), **refusals(*VIEW, "not-found")},
)
async def one_drain(request: Request, principal: Reader, drain: DrainId) -> Response:
    """What was said of it, what it is connected to, its running total, and what somebody should look at."""
    service = service_of(request)
    async with service.audit.access(request, principal, "read") as access:
        access.drains.add(drain)
        ledger, _ = await ledger_of(service, principal.tenant, drain)
        reply = view_reply(request, msgspec.json.encode(drain_views.detail(ledger)), JSON)
        access.outcome = reply.status_code
        return reply
