"""`GET /{type}/{id}` and `GET /{type}/{id}/_history/{version}` (R4 http.html#read, #vread, #cread)."""

from __future__ import annotations

import re
from typing import Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.rest.stored import Stored
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.access import FhirReader, require, touch
from drainledger.web.fhir.base import dialect_of, served_type, service_of
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.fhir.parameters import refuse_unknown
from drainledger.web.fhir.reply import PRIVATE, fhir_reply, is_known, validators
from drainledger.web.fhir.subset import part_asked, subset
from drainledger.web.v1.calls import in_thread

router = APIRouter()

#: R4 datatypes.html#id.
_ID: Final = re.compile(r"[A-Za-z0-9.-]{1,64}")
_VERSION: Final = re.compile(r"[1-9][0-9]{0,17}")
_KNOWN: Final = frozenset({"_format", "_pretty", "_summary", "_elements"})


@router.get("/{type}/{id}")
async def read(request: Request, principal: FhirReader, type: str, id: str) -> Response:
    """The current version. 304 for who has it already."""
    return await _answer(request, principal, type, id, None)


@router.get("/{type}/{id}/_history/{version}")
async def vread(request: Request, principal: FhirReader, type: str, id: str, version: str) -> Response:
    """One version, for ever the same bytes."""
    return await _answer(request, principal, type, id, version)


async def _answer(
    request: Request, principal: Principal, type: str, id: str, version: str | None
) -> Response:
    service, fhir = service_of(request), dialect_of(request)
    async with service.audit.access(request, principal, "read") as access:
        kind = served_type(request, type)
        require(principal, kind)
        refuse_unknown(request, _KNOWN)
        part = part_asked(request)
        if part.summary == "count":
            raise FhirRefusal("bad-parameter", "There is nothing to count in a read.", parameter="_summary")
        found = await _found(request, principal, kind, id, version)
        touch(access, found)
        headers = validators(found.version, found.updated) | PRIVATE
        if is_known(request, found.version, found.updated):
            access.outcome = 304
            return Response(status_code=304, headers=headers)
        if part.is_whole:
            return fhir_reply(request, found.wire(fhir), headers=headers)
        some = subset(found.resource(fhir), fhir, summary=part.summary, elements=part.elements)
        return fhir_reply(request, some, headers=headers)


async def _found(request: Request, principal: Principal, type: str, id: str, version: str | None) -> Stored:
    """Raises FhirRefusal `not-found`. What is no id or version at all is as unknown as what nothing has."""
    service = service_of(request)
    wanted = None if version is None else int(version) if _VERSION.fullmatch(version) else 0

    def look() -> Stored | None:
        if not _ID.fullmatch(id):
            return None
        with service.store.read(principal.tenant) as read:
            return service.rest.repository.read(read, type, id, wanted)

    found = await in_thread(look)
    if found is not None:
        return found
    if version is None:
        raise FhirRefusal("not-found", "There is no resource of this type and id here.")
    raise FhirRefusal(
        "not-found", "There is no such version: see the resource's _history for those there are."
    )
