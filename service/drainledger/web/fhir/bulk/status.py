"""How far an export is, its manifest, and its end (Bulk Data Access IG 2.0.0, export.html, 'Bulk Data Status Request',
'Bulk Data Delete Request')."""

from __future__ import annotations

from datetime import UTC, datetime
from email.utils import format_datetime
from typing import Any, Final

from fastapi import APIRouter, Request
from starlette.responses import Response

from drainledger.rest.export import Order
from drainledger.rest.ndjson import File
from drainledger.store import exports
from drainledger.store.exports import ExportRow
from drainledger.web.fhir.access import FhirReader
from drainledger.web.fhir.base import fhir_base, service_of
from drainledger.web.fhir.bulk.job import job_of, outcome_of
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.problems import retry_after
from drainledger.web.reply import json_reply
from drainledger.web.v1.calls import in_thread

router = APIRouter()

#: How long to wait before asking again, s.
_QUEUED_SECONDS: Final = 10
_RUNNING_SECONDS: Final = 2


@router.get("/bulk/{id}")
async def status(request: Request, principal: FhirReader, id: str) -> Response:
    """202 while it is under way, 200 with the manifest at its end."""
    row, order = await job_of(request, principal, id)
    if row.state == "failed":
        raise FhirRefusal(
            "fault", "The export could not be finished; the service's log says why. Order it again."
        )
    if row.state == "complete":
        headers = {"Expires": _http_date(row.expires_at)} if row.expires_at is not None else {}
        return json_reply(_manifest(request, row, order), 200, headers)
    if row.state == "queued":
        return Response(None, 202, {"X-Progress": "queued", **_unkept(_QUEUED_SECONDS)})
    told = f"{row.percent} % of what there is was read, {row.done} resources"
    return Response(None, 202, {"X-Progress": told, **_unkept(_RUNNING_SECONDS)})


@router.delete("/bulk/{id}")
async def cancel(request: Request, principal: FhirReader, id: str) -> Response:
    """Ends it, and takes away what was written."""
    service = service_of(request)
    row, _ = await job_of(request, principal, id)
    await in_thread(lambda: exports.remove(service.store, row.tenant, row.export_id))
    await in_thread(lambda: service.exports.discard(row.export_id))
    return Response(None, 202, {"Cache-Control": "no-store"})


def _manifest(request: Request, row: ExportRow, order: Order) -> dict[str, Any]:
    found = outcome_of(row)
    place = f"{fhir_base(request)}/bulk/{row.export_id}"

    def listed(file: File) -> dict[str, Any]:
        return {"type": file.type, "url": f"{place}/{file.name}", "count": file.count}

    return {
        "transactionTime": row.as_of.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "request": order.url,
        "requiresAccessToken": not service_of(request).demo,
        "output": [listed(file) for file in found.files],
        "deleted": [],
        "error": [listed(file) for file in found.errors],
    }


def _unkept(seconds: int) -> dict[str, str]:
    return {"Cache-Control": "no-store", **retry_after(seconds)}


def _http_date(instant: datetime) -> str:
    return format_datetime(instant.astimezone(UTC).replace(microsecond=0), usegmt=True)
