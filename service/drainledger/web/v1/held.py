"""`/v1/held`: records that could not be accepted, to be mended and replayed, or discarded (DESIGN 3, 6)."""

from __future__ import annotations

from typing import Annotated, Any, Literal, cast

import msgspec
from fastapi import APIRouter, Depends, Path, Query, Request
from starlette.responses import Response

from drainledger.domain.validation.text import LONGEST_ID
from drainledger.fhir.fragments import encode
from drainledger.intake.answers import Answer, Submission
from drainledger.store.errors import HeldIsClosed, UnknownHeld
from drainledger.store.rows import AuditRow, HeldRow, HeldState
from drainledger.web.audit import route_of
from drainledger.web.auth.guard import Operator
from drainledger.web.auth.principal import Principal
from drainledger.web.body import read_body
from drainledger.web.fhir.posting import Sent, is_resource, resource_of, roots, understood
from drainledger.web.names import Name, Segment
from drainledger.web.openapi import VIEW, gives, refusals, viewed
from drainledger.web.pages import bad_cursor, next_link
from drainledger.web.parameters import once_each
from drainledger.web.problems import Refusal
from drainledger.web.reply import JSON, json_reply, view_reply
from drainledger.web.service import Service, service_of
from drainledger.web.splitting import split
from drainledger.web.v1 import record_schema, shapes
from drainledger.web.v1.calls import in_thread, status_of, submitted
from drainledger.web.v1.drains import Cursor, Limit
from drainledger.web.v1.held_views import held_view
from drainledger.web.v1.records import BODY, limits

router = APIRouter(prefix="/v1", tags=["held"], dependencies=[Depends(once_each)])

Listed = Literal["held", "replayed", "discarded", "all"]
HeldId = Annotated[Segment, Path(description="the held record's id, as the answer gave it")]


@router.get(
    "/held",
    summary="Held records, a page at a time",
    response_class=Response,
    responses={
        **viewed("A page, in the order of receipt", shapes.HeldPage, headers=("Link",)),
        **refusals(*VIEW, "bad-cursor"),
    },
)
async def list_held(
    request: Request,
    principal: Operator,
    state: Annotated[
        Listed | None, Query(description="which of them; absent: those of the cursor, or `held`")
    ] = None,
    drain: Annotated[
        Name | None, Query(max_length=LONGEST_ID, description="only those that name this drain")
    ] = None,
    cursor: Cursor = None,
    limit: Limit = 100,
) -> Response:
    """Their bytes as received, and the reasons."""
    service, tenant = service_of(request), principal.tenant
    async with service.audit.access(request, principal, "operate") as access:
        chosen, drain, after = _chosen(service.cursors.read(tenant, "held", cursor), state, drain)
        wanted: HeldState | None = None if chosen == "all" else chosen

        def rows() -> list[HeldRow]:
            with service.store.read(tenant) as read:
                return read.held(state=wanted, drain=drain, after=after, limit=limit)

        found = await in_thread(rows)
        access.drains.update(row.drain for row in found if row.drain is not None)
        last = "\0".join((chosen, drain or "", found[-1].held_id)) if len(found) == limit else None
        more = None if last is None else service.cursors.give(tenant, "held", last)
        page = shapes.HeldPage(held=[held_view(row) for row in found], next=more)
        headers = {"Link": next_link("/v1/held", more, limit=limit)} if more else {}
        reply = view_reply(request, msgspec.json.encode(page), JSON, headers=headers)
        access.outcome = reply.status_code
        return reply


def _chosen(position: str, state: Listed | None, drain: str | None) -> tuple[Listed, str | None, str]:
    """State, drain and the held id to go on after. A cursor holds them all, so that no drain's id stands in a link;
    what is named beside it has to be the same. Raises Refusal `bad-cursor`."""
    if not position:
        return state or "held", drain, ""
    begun, of, after = position.split("\0")
    if state not in (None, begun) or drain not in (None, of or None):
        raise bad_cursor()
    return cast(Listed, begun), of or None, after


@router.get(
    "/held/{held_id}",
    summary="One held record",
    response_class=Response,
    responses={**viewed("The record", shapes.HeldView), **refusals(*VIEW, "not-found")},
)
async def one_held(request: Request, principal: Operator, held_id: HeldId) -> Response:
    """Its bytes as received, and why it is held."""
    service = service_of(request)
    async with service.audit.access(request, principal, "operate") as access:
        row = await _row(service, principal, held_id)
        access.drains.update(drain for drain in (row.drain,) if drain is not None)
        reply = view_reply(request, msgspec.json.encode(held_view(row)), JSON)
        access.outcome = reply.status_code
        return reply


_MENDED: dict[str, Any] = {"requestBody": record_schema.MENDED_BODY}


@router.post(
    "/held/{held_id}/replay",
    summary="Try a held record again, as it is or mended",
    response_class=Response,
    openapi_extra=_MENDED,
    responses={
        200: gives("It is taken, and held no more", Answer),
        422: gives("It is held still, with the reasons", Answer),
        **refusals(
            *VIEW,
            "not-found",
            "already-settled",
            "bad-resource",
            *(code for code in BODY if code != "no-records"),
            "clock-behind",
        ),
    },
)
async def replay(request: Request, principal: Operator, held_id: HeldId) -> Response:
    """Without a body, the bytes that were received: after a mapping was mended, or what it conflicted with retracted.
    With a body, the record as it should have been; it is the same source's. The bytes first received are kept. A
    FHIR resource is read as one again, and may be mended as one."""
    service = service_of(request)
    with service.budget.share() as take:
        body = await read_body(request, limits(service), take)
        mended = split(body, request.headers.get("content-type"), 1) if body.strip() else None
        row = await _row(service, principal, held_id)
        raw = mended[0] if mended else row.raw
        record = await in_thread(lambda: _read_as(service, request, principal, raw))
        answer = await _replayed(service, request, principal, row, raw, record)
    return json_reply(answer, status_of(answer))


def _read_as(service: Service, request: Request, principal: Principal, raw: bytes) -> bytes | None:
    """The record that a FHIR resource is read as; None for bytes of any other format. Raises Refusal `bad-resource`."""
    if not is_resource(raw):
        return None
    with service.store.read(principal.tenant) as read:
        sent = Sent(raw=raw, resource=resource_of(raw))
        (one,) = understood(service, read, [sent], roots(request))
    if one.record is None:
        told = " ".join(fault.text for fault in one.faults if fault.severity == "error")
        raise Refusal("bad-resource", f"The resource can't be read as a record: {told}")
    return encode(one.record)


async def _replayed(
    service: Service, request: Request, principal: Principal, row: HeldRow, raw: bytes, record: bytes | None
) -> Answer:
    try:
        return await submitted(
            service,
            Submission(
                tenant=principal.tenant,
                source=row.source,
                lines=(raw,),
                principal=principal.name,
                request_id=request.state.request,
                method="POST",
                route=route_of(request),
                replays=row.held_id,
                read_as=None if record is None else (record,),
            ),
        )
    except HeldIsClosed as closed:
        raise _settled(closed.state) from None
    except UnknownHeld:
        raise _unknown() from None


@router.post(
    "/held/{held_id}/discard",
    summary="Give up a held record, with the reason",
    response_class=Response,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "application/json": {
                    "schema": {"$ref": "#/components/schemas/Discarded"},
                    "examples": {"a test": {"value": {"reason": "a test of the interface, no patient"}}},
                }
            },
        }
    },
    responses={
        200: gives("It is discarded; its bytes are kept", shapes.HeldView),
        **refusals(*VIEW, "not-found", "already-settled", *BODY),
    },
)
async def discard(request: Request, principal: Operator, held_id: HeldId) -> Response:
    """Its drain's views no longer count it. It can't be replayed afterwards: what it said can only be sent anew. The
    reason is kept with it, and in the audit trail."""
    service = service_of(request)
    with service.budget.share() as take:
        body = await read_body(request, limits(service), take)
    reason = _reason(body)
    row = await _row(service, principal, held_id)
    drains = () if row.drain is None else (row.drain,)

    def settle() -> HeldRow | None:
        with service.store.write(principal.tenant, service.clock()) as write:
            write.set_held(held_id, "discarded", reason=reason, by=principal.name)
            write.audit(
                AuditRow(
                    at=write.received_at,
                    principal=principal.name,
                    action="discard",
                    method="POST",
                    route=route_of(request),
                    outcome=f"200: {reason}",
                    request_id=request.state.request,
                    patients=tuple(service.views.patients(write, drains).values()),
                    drains=drains,
                )
            )
            return write.held_one(held_id)

    try:
        settled = await in_thread(settle)
    except HeldIsClosed as closed:
        raise _settled(closed.state) from None
    assert settled is not None
    return json_reply(held_view(settled))


def _reason(body: bytes) -> str:
    try:
        reason = msgspec.json.decode(body, type=shapes.Discarded).reason.strip()
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
        reason = ""
    if not 1 <= len(reason) <= 1000 or not reason.isprintable():
        raise Refusal(
            "bad-body", 'Say why: {"reason": "…"}, on one line of at most 1000 characters. Nothing changed.'
        )
    return reason


async def _row(service: Service, principal: Principal, held_id: str) -> HeldRow:
    def read_one() -> HeldRow | None:
        with service.store.read(principal.tenant) as read:
            return read.held_one(held_id)

    row = await in_thread(read_one)
    if row is None:
        raise _unknown()
    return row


def _unknown() -> Refusal:
    return Refusal("not-found", "No held record has this id.")


def _settled(state: str) -> Refusal:
    return Refusal(
        "already-settled", f"It was {state} before. Send what it said anew, if it is still needed."
    )
