"""What every conformance resource says alike."""

from __future__ import annotations

from drainledger.fhir.device import CAUTION
from drainledger.fhir.dialect import Json

PUBLISHER = "Drainledger contributors"


def head(kind: str, ident: str, base: str, title: str, description: str) -> Json:
    """Type, id, canonical, names, status, and a description that ends with the caution."""
    return {
        "resourceType": kind,
        "id": ident,
        "url": f"{base}/{kind}/{ident}",
        "name": "".join(word.capitalize() for word in ident.split("-")),
        "title": title,
        "status": "active",
        "experimental": False,
        "publisher": PUBLISHER,
        "description": f"{description} {CAUTION}",
    }
