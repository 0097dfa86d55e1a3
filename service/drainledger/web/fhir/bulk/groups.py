"""Wards as Groups: read, and searched by `_id` and `identifier`."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.rest.bundles import searchset
from drainledger.rest.wards import Ward, group, ward_system, wards
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.access import FhirReader, require
from drainledger.web.fhir.base import dialect_of, fhir_base, service_of
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.fhir.parameters import refuse_unknown
from drainledger.web.fhir.reply import fhir_reply
from drainledger.web.v1.calls import in_thread

router = APIRouter()

_FORMS: Final = frozenset({"_format", "_pretty"})


@router.get("/Group/{id}")
async def read(request: Request, principal: FhirReader, id: str) -> Response:
    """A ward with its patients."""
    service = service_of(request)
    async with service.audit.access(request, principal, "read") as access:
        require(principal, "Group")
        refuse_unknown(request, _FORMS)
        for ward in await _wards(request, principal):
            if ward.id == id:
                access.patients.update(ward.patients)
                return fhir_reply(request, _shown(request, principal, ward))
        raise FhirRefusal("not-found", "There is no Group of this id here: search Group for those there are.")


@router.get("/Group")
async def search(request: Request, principal: FhirReader) -> Response:
    """All wards, or those of an id or a name."""
    service = service_of(request)
    async with service.audit.access(request, principal, "search") as access:
        require(principal, "Group")
        refuse_unknown(request, _FORMS | {"_id", "identifier"})
        system = ward_system(service.rest.renderer(principal.tenant))
        found = [ward for ward in await _wards(request, principal) if _fits(request, ward, system)]
        for ward in found:
            access.patients.update(ward.patients)
        base = fhir_base(request)
        entries = [
            {
                "fullUrl": f"{base}/Group/{ward.id}",
                "resource": _shown(request, principal, ward),
                "search": {"mode": "match"},
            }
            for ward in found
        ]
        links = {"self": f"{base}/Group"}
        return fhir_reply(request, searchset(entries, at=service.clock(), links=links, total=len(entries)))


async def _wards(request: Request, principal: Principal) -> list[Ward]:
    service = service_of(request)

    def look() -> list[Ward]:
        with service.store.read(principal.tenant) as read:
            return wards(read, service.rest.renderer(principal.tenant), service.intake.rules)

    return await in_thread(look)


def _shown(request: Request, principal: Principal, ward: Ward) -> dict[str, Any]:
    return group(ward, service_of(request).rest.renderer(principal.tenant), dialect_of(request))


def _fits(request: Request, ward: Ward, system: str) -> bool:
    """A name alone is of any system (R4 search.html#token)."""
    ids = [each for text in request.query_params.getlist("_id") for each in text.split(",")]
    named = [each for text in request.query_params.getlist("identifier") for each in text.split(",")]
    tokens = {ward.name, f"{system}|{ward.name}", f"{system}|"}
    return (not ids or ward.id in ids) and (not named or not tokens.isdisjoint(named))
