"""All interactions, mounted under each version's path. Literal paths come before `/{type}` and `/{type}/{id}`."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Depends, FastAPI

from drainledger.web.fhir import (
    bulk,
    bundle,
    create,
    history,
    metadata,
    operations,
    read,
    search,
    terminology,
)
from drainledger.web.fhir.formats import negotiated

#: In the order in which paths are looked for.
ROUTERS: Final[list[APIRouter]] = [
    metadata.router,
    terminology.router,
    operations.router,
    bundle.router,
    search.router,
    history.router,
    create.router,
    read.router,
]
VERSIONS: Final = ("R4", "R5")


def mount(app: FastAPI) -> None:
    """Bulk Data negotiates for itself: its files are not application/fhir+json."""
    for version in VERSIONS:
        prefix = f"/fhir/{version}"
        app.include_router(bulk.router, prefix=prefix, include_in_schema=False)
        for router in ROUTERS:
            app.include_router(
                router, prefix=prefix, include_in_schema=False, dependencies=[Depends(negotiated)]
            )
