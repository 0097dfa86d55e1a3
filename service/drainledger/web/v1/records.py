"""`POST /v1/records`: every record from every source (DESIGN 3, 6)."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Request
from starlette.responses import Response

from drainledger.intake.answers import Answer, Submission
from drainledger.web.audit import route_of
from drainledger.web.auth.guard import Writer
from drainledger.web.auth.principal import SOURCE_HEADER
from drainledger.web.body import BodyLimits, read_body
from drainledger.web.openapi import KNOWN, gives, refusals
from drainledger.web.parameters import once_each
from drainledger.web.reply import json_reply
from drainledger.web.service import Service, service_of
from drainledger.web.splitting import split
from drainledger.web.v1 import record_schema
from drainledger.web.v1.calls import status_of, submitted

router = APIRouter(prefix="/v1", tags=["records"], dependencies=[Depends(once_each)])

#: What reading a body may end in.
BODY = (
    "bad-body",
    "bad-gzip",
    "body-cut-off",
    "no-records",
    "body-too-slow",
    "body-too-long",
    "unpacks-too-far",
    "record-too-long",
    "too-many-records",
    "unsupported-type",
    "unsupported-coding",
    "busy",
)
#: What writing may end in.
WRITES = ("partly-taken", "clock-behind")
_BODY_PROPER: dict[str, Any] = {"requestBody": record_schema.REQUEST_BODY}


@router.post(
    "/records",
    summary="Send records: one object, an array, or a record a line",
    response_class=Response,
    openapi_extra=_BODY_PROPER,
    responses={
        200: gives("None is held. What is answered is on disk", Answer),
        207: gives("Some are held, with the reasons; the others are taken", Answer),
        422: gives("All are held, with the reasons. Their bytes are kept: mend and replay them", Answer),
        **refusals(*KNOWN, *BODY, "no-source", "bad-parameter", "not-your-source", *WRITES),
    },
)
async def post_records(
    request: Request,
    principal: Writer,
    source: Annotated[
        str | None,
        Header(
            alias=SOURCE_HEADER,
            description="Who the records come from, for a caller that is not bound to one source: records' ids are "
            "unique within it. Without it a token's client is taken.",
        ),
    ] = None,
) -> Response:
    """Each record becomes part of the journal or is held, by itself; the answer tells which, in the order sent. The
    same record sent again is a duplicate and changes nothing, so a call without an answer may be repeated. gzip is
    taken (`Content-Encoding: gzip`)."""
    service = service_of(request)
    named = principal.source_of(source)
    with service.budget.share() as take:
        lines = split(
            await read_body(request, limits(service), take),
            request.headers.get("content-type"),
            service.settings.max_records,
        )
        answer = await submitted(
            service,
            Submission(
                tenant=principal.tenant,
                source=named,
                lines=tuple(lines),
                principal=principal.name,
                request_id=request.state.request,
                method="POST",
                route=route_of(request),
            ),
        )
    return json_reply(answer, status_of(answer))


def limits(service: Service) -> BodyLimits:
    settings = service.settings
    return BodyLimits(
        sent=settings.max_body_bytes,
        unpacked=settings.max_unpacked_bytes,
        ratio=settings.max_gzip_ratio,
        seconds=settings.body_seconds,
    )
