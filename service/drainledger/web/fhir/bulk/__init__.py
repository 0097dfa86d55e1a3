"""Bulk Data Access (IG 2.0.0): exports ordered, watched, cancelled and fetched; wards as Groups."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Depends

from drainledger.web.fhir.bulk import files, groups, kickoff, status
from drainledger.web.fhir.formats import negotiated

router = APIRouter()
router.include_router(kickoff.router)
router.include_router(status.router)
router.include_router(files.router)
router.include_router(groups.router, dependencies=[Depends(negotiated)])

#: What the CapabilityStatement says of Groups and of exports (rest.resource, rest.operation).
GROUP: Final[dict[str, Any]] = {
    "type": "Group",
    "interactions": ("read", "search-type"),
    "search": {"_id": "token", "identifier": "token"},
}
#: As the guide's own CapabilityStatement (hl7.org/fhir/uv/bulkdata, version 2.0.0) names them.
#: level -> (where it is called, its name, its definition).
OPERATIONS: Final[dict[str, tuple[str, str, str]]] = {
    "system": ("/$export", "export", "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export"),
    "Patient": (
        "/Patient/$export",
        "export",
        "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/patient-export",
    ),
    "Group": (
        "/Group/{id}/$export",
        "export",
        "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/group-export",
    ),
}
INSTANTIATES: Final = "http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data"
