"""`GET /metadata`: what the service can do below this path (R4 http.html#capabilities). Open to everybody."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.fhir.conformance.capability import capability_statement
from drainledger.web.fhir.base import dialect_of, fhir_base, service_of
from drainledger.web.fhir.formats import once
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.fhir.parameters import refuse_unknown
from drainledger.web.fhir.reply import fhir_reply
from drainledger.web.fhir.subset import part_asked, subset
from drainledger.web.oauth.routes import TOKEN_PATH
from drainledger.web.service import origin_of

router = APIRouter()

_KNOWN: Final = frozenset({"_format", "_pretty", "_summary", "_elements", "mode"})


@router.get("/metadata")
async def metadata(request: Request) -> Response:
    """The CapabilityStatement."""
    refuse_unknown(request, _KNOWN)
    if once(request, "mode") not in (None, "full"):
        raise FhirRefusal(
            "bad-parameter",
            "There is the full statement alone: mode=full.",
            issue="not-supported",
            parameter="mode",
        )
    service, fhir, part = service_of(request), dialect_of(request), part_asked(request)
    if part.summary == "count":
        raise FhirRefusal("bad-parameter", "There is nothing to count in a read.", parameter="_summary")
    told = capability_statement(
        service.settings.base,
        fhir,
        url=fhir_base(request),
        token=f"{origin_of(request)}{TOKEN_PATH}",
    )
    return fhir_reply(request, subset(told, fhir, summary=part.summary, elements=part.elements))
