"""`GET /v1/trace/{ref}`: from raw bytes to resources, and back (DESIGN 6)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC
from typing import Annotated
from zoneinfo import ZoneInfo

import msgspec
from fastapi import APIRouter, Depends, Path, Request
from starlette.responses import Response

from drainledger.intake.views import Trace, Views
from drainledger.store.rows import JournalRow, VersionRow
from drainledger.web.auth.guard import Reader
from drainledger.web.auth.principal import Principal
from drainledger.web.names import Segments, plain
from drainledger.web.openapi import VIEW, refusals, viewed
from drainledger.web.parameters import once_each
from drainledger.web.problems import Refusal
from drainledger.web.reply import JSON, view_reply
from drainledger.web.service import service_of
from drainledger.web.v1 import drain_views, shapes
from drainledger.web.v1.calls import in_thread
from drainledger.web.v1.held_views import as_text, held_view

router = APIRouter(prefix="/v1", tags=["views"], dependencies=[Depends(once_each)])

_NOT_FOUND = (
    "Nothing of that name is known here. Name a resource as Observation/ID, a record as SOURCE/ID, drain/ID or "
    "collector/ID, and a held record by the held_id that it was answered with."
)


@router.get(
    "/trace/{ref:path}",
    summary="Follow a value home, or a record to all that came of it",
    response_class=Response,
    responses={**viewed("The trace", shapes.TraceView), **refusals(*VIEW, "not-found")},
)
async def trace(
    request: Request,
    principal: Reader,
    ref: Annotated[
        Segments,
        Path(
            description="a resource (`Observation/…`), a record (`SOURCE/ID`, `drain/ID`, `collector/ID`; the id "
            "alone for one of the caller's own source), or the id of a held record; each id percent-encoded: a slash "
            "in it is written `%2F`"
        ),
    ],
) -> Response:
    """The bytes as they were received, the entries of the ledger, every version of every resource. Of a held record the
    state and the problems; its bytes need the scope `operate` as well, as in `/v1/held`."""
    service = service_of(request)
    async with service.audit.access(request, principal, "trace") as access:
        found = await in_thread(lambda: _found(service.views, principal, ref))
        if found is None:
            raise Refusal("not-found", _NOT_FOUND)
        access.drains.update(_drains_shown(found))
        reply = view_reply(request, msgspec.json.encode(_view(principal, plain(ref), found)), JSON)
        access.outcome = reply.status_code
        return reply


def _drains_shown(found: Trace) -> Iterator[str]:
    """The drains that what is shown is about: raw bytes and resources as well as entries."""
    yield from (entry.drain for entry in found.entries)
    yield from (name for row in found.rows for kind, name in row.names if kind == "drain")
    yield from (row.drain for row in found.versions if row.drain is not None)
    if found.held is not None and found.held.drain is not None:
        yield found.held.drain


def _found(views: Views, principal: Principal, ref: str) -> Trace | None:
    for meant in _meanings(principal, ref):
        found = views.trace(principal.tenant, meant)
        if found is not None:
            return found
    return None


def _meanings(principal: Principal, ref: str) -> Iterator[str]:
    """What a name, still encoded, may stand for; a bare id for a record of the caller's own, a drain or collector."""
    name = plain(ref)
    if "/" in ref or "/" not in name:
        yield name
    if "/" not in ref:
        own = principal.source or principal.client
        yield from (f"{space}/{name}" for space in (own, "drain", "collector") if space is not None)


def _view(principal: Principal, ref: str, found: Trace) -> shapes.TraceView:
    return shapes.TraceView(
        ref=ref,
        received=[_received(row) for row in found.rows],
        ledger=[drain_views.entry(one, ZoneInfo("UTC")) for one in found.entries],
        resources=list(_resources(found.versions)),
        held=None if found.held is None else held_view(found.held, with_bytes="operate" in principal.scopes),
    )


def _received(row: JournalRow) -> shapes.ReceivedView:
    text, packed = as_text(row.raw)
    return shapes.ReceivedView(
        seq=row.seq,
        received_at=row.received_at.astimezone(UTC).isoformat(),
        source=row.source,
        kind=row.key.kind,
        record=row.key.id,
        rules_version=row.rules_version,
        raw=text,
        raw_base64=packed,
    )


def _resources(versions: Sequence[VersionRow]) -> Iterator[shapes.ResourceView]:
    for row in versions:
        for name, part in sorted(row.written.items()):
            yield shapes.ResourceView(
                reference=f"{part.type}/{row.id}{'.' if name else ''}{name}",
                version=part.version,
                status=part.status,
                seq=row.seq,
                received_at=row.received_at.astimezone(UTC).isoformat(),
            )
