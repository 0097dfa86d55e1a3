"""`GET /v1/drains/{id}/ledger`: the ledger as JSON, CSV or Parquet; as it is, as it was known, or what changed."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

import msgspec
from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import Response

from drainledger.convert.ledger_csv import ledger_csv
from drainledger.convert.ledger_json import ledger_json
from drainledger.convert.ledger_view import drain_view
from drainledger.domain.entries import DrainLedger
from drainledger.intake.views import MOST_CHANGES
from drainledger.web import etags
from drainledger.web.accept import choose
from drainledger.web.auth.guard import Reader
from drainledger.web.auth.principal import Principal
from drainledger.web.instants import instant
from drainledger.web.openapi import VIEW, refusals, viewed
from drainledger.web.pages import next_link
from drainledger.web.parameters import once_each
from drainledger.web.problems import Refusal
from drainledger.web.reply import JSON, view_reply
from drainledger.web.service import Service, service_of
from drainledger.web.v1 import drain_views, shapes
from drainledger.web.v1.calls import in_thread, ledger_of, no_such_drain
from drainledger.web.v1.drains import Cursor, DrainId

router = APIRouter(prefix="/v1", tags=["views"], dependencies=[Depends(once_each)])

CSV: Final = "text/csv"
PARQUET: Final = "application/vnd.apache.parquet"


@router.get(
    "/drains/{drain}/ledger",
    summary="A drain's ledger: intervals, totals, windows, findings",
    response_class=Response,
    responses={
        **viewed(
            "The ledger. In CSV and Parquet a row is an interval: add up `output_ml`, never the totals",
            shapes.LedgerView,
            shapes.ChangesView,
            headers=("Drainledger-Held", "Drainledger-Waiting", "Link"),
            **{
                CSV: {"type": "string"},
                PARQUET: {"type": "string", "format": "binary"},
            },
        ),
        **refusals(*VIEW, "bad-cursor", "not-found", "not-acceptable"),
    },
)
async def drain_ledger(
    request: Request,
    principal: Reader,
    drain: DrainId,
    known_at: Annotated[
        str | None, Query(description="the ledger as it was known at this instant of receipt, with an offset")
    ] = None,
    changes_since: Annotated[
        str | None,
        Query(description="what changed after this instant of receipt, and because of which record; JSON"),
    ] = None,
    cursor: Cursor = None,
    limit: Annotated[
        int | None,
        Query(
            ge=1,
            le=MOST_CHANGES,
            description="most changes in an answer, by default 100; goes with changes_since",
        ),
    ] = None,
) -> Response:
    """Decimals are text, an unknown output is null, and a bound says how far to trust each: exact, at-least, estimated
    or unknown."""
    service = service_of(request)
    async with service.audit.access(request, principal, "read") as access:
        access.drains.add(drain)
        known, since = instant("known_at", known_at), instant("changes_since", changes_since)
        if since is None:
            _refuse_pages(cursor, limit)
            media_type = choose(request.headers.get("accept"), (JSON, CSV, PARQUET))
            reply = await _ledger(request, service, principal, drain, known, media_type)
        elif known is not None:
            raise Refusal(
                "bad-parameter", "known_at and changes_since exclude each other.", parameter="changes_since"
            )
        else:
            choose(request.headers.get("accept"), (JSON,))
            reply = await _changes(request, service, principal, drain, since, cursor, limit or 100)
        access.outcome = reply.status_code
        return reply


async def _ledger(
    request: Request,
    service: Service,
    principal: Principal,
    drain: str,
    known_at: datetime | None,
    media_type: str,
) -> Response:
    ledger, version = await ledger_of(service, principal.tenant, drain, known_at)
    return view_reply(
        request,
        await in_thread(lambda: _rendered(ledger, media_type)),
        media_type + ("; charset=utf-8; header=present" if media_type == CSV else ""),
        etag=etags.of_text(version, media_type, drain, str(known_at), principal.tenant),
        headers={"Drainledger-Held": str(ledger.held), "Drainledger-Waiting": str(ledger.waiting)},
    )


def _rendered(ledger: DrainLedger, media_type: str) -> bytes:
    if media_type == CSV:
        return b"".join(ledger_csv([ledger]))
    if media_type == PARQUET:
        from drainledger.web.ledger_parquet import ledger_parquet  # a large library, for few callers

        return ledger_parquet([ledger])
    return b"".join(ledger_json([drain_view(ledger)]))


def _refuse_pages(cursor: str | None, limit: int | None) -> None:
    for name, given in (("cursor", cursor), ("limit", limit)):
        if given is not None:
            raise Refusal(
                "bad-parameter", f"{name} goes with changes_since: a ledger is given whole.", parameter=name
            )


async def _changes(
    request: Request,
    service: Service,
    principal: Principal,
    drain: str,
    since: datetime,
    cursor: str | None,
    limit: int,
) -> Response:
    tenant, listed = principal.tenant, f"changes\0{drain}\0{since.isoformat()}"
    after = int(service.cursors.read(tenant, listed, cursor) or 0)
    page = await in_thread(
        lambda: service.views.changes_since(tenant, drain, since, after=after, limit=limit)
    )
    if page is None:
        raise no_such_drain()
    zone = ZoneInfo(page.time_zone or "UTC")
    more = None if page.after is None else service.cursors.give(tenant, listed, str(page.after))
    view = shapes.ChangesView(
        drain=drain,
        since=since.isoformat(),
        changes=[drain_views.change(one, zone) for one in page.changes],
        next=more,
    )
    path = f"/v1/drains/{quote(drain, safe='')}/ledger"
    link = {"Link": next_link(path, more, changes_since=view.since, limit=limit)} if more else {}
    return view_reply(request, msgspec.json.encode(view), JSON, headers=link)
