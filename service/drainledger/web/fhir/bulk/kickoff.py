"""`$export` of the system, of all patients, and of a group (Bulk Data Access IG 2.0.0, export.html, 'Bulk Data
Kick-off Request')."""

from __future__ import annotations

from datetime import datetime

import msgspec
from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.rest.export import Level, Order
from drainledger.rest.wards import Ward, wards
from drainledger.store import exports
from drainledger.store.read import Read
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.access import FhirReader
from drainledger.web.fhir.base import fhir_base, service_of
from drainledger.web.fhir.bulk.ordering import Pairs, order_of, pairs_of
from drainledger.web.fhir.outcome import FhirRefusal, Issue, outcome
from drainledger.web.fhir.reply import fhir_reply
from drainledger.web.problems import retry_after
from drainledger.web.v1.calls import in_thread

router = APIRouter()

_FULL_SECONDS = 30


@router.api_route("/$export", methods=["GET", "POST"])
async def system(request: Request, principal: FhirReader) -> Response:
    """All that the caller may read."""
    return await _kick_off(request, principal, "system")


@router.api_route("/Patient/$export", methods=["GET", "POST"])
async def patients(request: Request, principal: FhirReader) -> Response:
    """What belongs to patients."""
    return await _kick_off(request, principal, "patient")


@router.api_route("/Group/{id}/$export", methods=["GET", "POST"])
async def group(request: Request, principal: FhirReader, id: str) -> Response:
    """What belongs to the patients of a ward."""
    return await _kick_off(request, principal, "group", id)


async def _kick_off(request: Request, principal: Principal, level: Level, id: str = "") -> Response:
    service = service_of(request)
    async with service.audit.access(request, principal, "export") as access:
        pairs = await pairs_of(request)
        row, order = await in_thread(lambda: _ordered(request, principal, level, id, pairs))
        access.patients.update(order.patients or ())
        most = service.settings.exports_waiting
        if not await in_thread(lambda: exports.add(service.store, row, most=most)):
            raise FhirRefusal(
                "too-many-requests",
                f"At most {most} exports of a tenant wait or are at work. Cancel one, or ask again later.",
                headers=retry_after(_FULL_SECONDS),
            )
        service.exports.wake()
        access.outcome = 202
        return fhir_reply(
            request,
            outcome([_BEGUN]),
            status=202,
            headers={"Content-Location": f"{fhir_base(request)}/bulk/{row.export_id}"},
        )


_BEGUN = Issue(
    severity="information",
    code="informational",
    diagnostics="The export is ordered: ask at the URL of Content-Location how far it is.",
)


def _ordered(
    request: Request, principal: Principal, level: Level, id: str, pairs: Pairs
) -> tuple[exports.ExportRow, Order]:
    service = service_of(request)
    now = service.clock()
    with service.store.read(principal.tenant) as read:
        ward = _ward(request, read, id) if level == "group" else None
        members = None if ward is None else frozenset(ward.patients)
        order = order_of(request, principal, level, pairs, members)
        if members is None and order.patients is not None:
            _check_known(request, read, order.patients)
        horizon = read.last_seq()
        as_of = _as_of(read, horizon, now)
    row = exports.new(
        principal.tenant,
        principal.name,
        msgspec.msgpack.encode(order),
        horizon=horizon,
        as_of=as_of,
        now=now,
    )
    return row, order


def _as_of(read: Read, horizon: int, now: datetime) -> datetime:
    """When the last of what is exported was received: what comes later is received later, so that `_since` this time
    leaves nothing out and repeats nothing."""
    last = read.row(horizon)
    return now if last is None else last.received_at


def _ward(request: Request, read: Read, id: str) -> Ward:
    service = service_of(request)
    found = wards(read, service.rest.renderer(read.tenant), service.intake.rules)
    for ward in found:
        if ward.id == id:
            return ward
    raise FhirRefusal("not-found", "There is no Group of this id here: search Group for those there are.")


def _check_known(request: Request, read: Read, ids: frozenset[str]) -> None:
    known = service_of(request).rest.sources["Patient"].current(read, "Patient", ids)
    if known.keys() != ids:
        raise FhirRefusal(
            "bad-parameter",
            "Each patient is a reference Patient/ID to one that is here.",
            parameter="patient",
        )
