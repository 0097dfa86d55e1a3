"""Bulk Data Access (IG 2.0.0): exports ordered, watched, cancelled and fetched; wards as Groups."""

from __future__ import annotations

from fastapi import APIRouter, Depends

from drainledger.web.fhir.bulk import files, groups, kickoff, status
from drainledger.web.fhir.formats import negotiated

router = APIRouter()
router.include_router(kickoff.router)
router.include_router(status.router)
router.include_router(files.router)
router.include_router(groups.router, dependencies=[Depends(negotiated)])
