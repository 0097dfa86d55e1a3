"""Whose export it is: another tenant's, and another client's, is as unknown as one that is not there."""

from __future__ import annotations

import re
from typing import Final

import msgspec
from msgspec import Struct
from starlette.requests import Request

from drainledger.rest.export import Order
from drainledger.rest.ndjson import File
from drainledger.store import exports
from drainledger.web.auth.principal import Principal
from drainledger.web.fhir.access import require
from drainledger.web.fhir.base import service_of
from drainledger.web.fhir.outcome import FhirRefusal
from drainledger.web.v1.calls import in_thread

_ID: Final = re.compile(r"[0-9a-f]{32}")


class Outcome(Struct, frozen=True, array_like=True):
    """What came of a job: its files lie in `folder` of the job's folder; `errors` tell what was passed over."""

    folder: str
    files: list[File]
    errors: list[File]


async def job_of(request: Request, principal: Principal, export_id: str) -> tuple[exports.ExportRow, Order]:
    """The caller's export. Raises FhirRefusal `not-found`, `not-allowed`."""
    service = service_of(request)
    row = None
    if _ID.fullmatch(export_id):
        row = await in_thread(lambda: exports.find(service.store, principal.tenant, export_id))
    if row is None or (row.caller != principal.name and "operate" not in principal.scopes):
        raise FhirRefusal(
            "not-found", "There is no such export of this caller: it was cancelled, or its time is over."
        )
    if row.expires_at is not None and row.expires_at <= service.clock():
        raise FhirRefusal("not-found", "The time of this export is over: order another.")
    order = msgspec.msgpack.decode(row.request, type=Order)
    for type_ in order.types:
        require(principal, type_)
    return row, order


def outcome_of(row: exports.ExportRow) -> Outcome:
    assert row.files is not None, "a job that is complete tells its files"
    return msgspec.msgpack.decode(row.files, type=Outcome)
