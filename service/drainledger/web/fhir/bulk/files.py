"""An export's files (Bulk Data Access IG 2.0.0, export.html, 'Bulk Data Output File Request')."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec
from fastapi import APIRouter, Request
from starlette.responses import FileResponse, Response, StreamingResponse

from drainledger.store.exports import ExportRow
from drainledger.web.fhir.access import FhirReader
from drainledger.web.fhir.base import service_of
from drainledger.web.fhir.bulk.job import job_of, outcome_of
from drainledger.web.fhir.outcome import FhirRefusal

router = APIRouter()

NDJSON: Final = "application/fhir+ndjson"
_STEP: Final = 1 << 18
_NO_WEIGHT: Final = re.compile(r"q=0(\.0{0,3})?")
_GZIP: Final = 31  # zlib: 15 bits, and a gzip header


@router.get("/bulk/{id}/{name}")
async def file(request: Request, principal: FhirReader, id: str, name: str) -> Response:
    """One file; packed with gzip where the caller takes that. Whose data is in it is in the audit trail first."""
    service = service_of(request)
    async with service.audit.access(request, principal, "export") as access:
        row, _ = await job_of(request, principal, id)
        path, patients = _found(row, name, service.exports.folder_of(row.export_id))
        access.patients.update(patients)
    headers = {"Cache-Control": "private, no-store", "Vary": "Accept-Encoding, Authorization"}
    if _takes_gzip(request.headers.get("accept-encoding", "")) and request.method == "GET":
        return StreamingResponse(
            _packed(path), media_type=NDJSON, headers=headers | {"Content-Encoding": "gzip"}
        )
    return FileResponse(path, media_type=NDJSON, headers=headers)


def _found(row: ExportRow, name: str, folder: Path) -> tuple[Path, list[str]]:
    """Where it is, and whose data is in it. Only what the job lists is looked for."""
    if row.state == "complete":
        outcome = outcome_of(row)
        touched = msgspec.msgpack.decode(row.touched or b"\x90", type=list[list[str]])
        listed = [*zip(outcome.files, touched, strict=True), *((each, []) for each in outcome.errors)]
        for each, patients in listed:
            path = folder / outcome.folder / each.name
            if each.name == name and path.is_file():
                return path, patients
    raise FhirRefusal(
        "not-found",
        "There is no such file: take the URLs of the manifest. Where there are several replicas, all of them need the "
        "same export_dir.",
    )


def _takes_gzip(accepted: str) -> bool:
    """RFC 9110, 12.5.3: named, and not with the weight 0."""
    for each in accepted.lower().split(","):
        coding, _, weight = each.replace(" ", "").partition(";")
        if coding == "gzip":
            return not _NO_WEIGHT.fullmatch(weight)
    return False


def _packed(path: Path) -> Iterator[bytes]:
    packing = zlib.compressobj(level=1, wbits=_GZIP)
    with path.open("rb") as opened:
        while step := opened.read(_STEP):
            if piece := packing.compress(step):
                yield piece
    yield packing.flush()
