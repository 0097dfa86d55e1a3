"""What every conformance resource says alike."""

from __future__ import annotations

import re

from drainledger import __version__
from drainledger.fhir.device import CAUTION
from drainledger.fhir.dialect import Json

PUBLISHER = "Drainledger contributors"


def semantic(version: str) -> str:
    """A Python version as Semantic Versioning 2.0.0 writes it, which packages ask for: 0.1.0.dev0 is 0.1.0-dev.0."""
    return re.sub(r"\.?(dev|a|b|rc)(\d+)$", r"-\1.\2", version)


#: The version of every conformance resource: they change with the release alone, and a site's mappings.
RELEASE = semantic(__version__)


def head(kind: str, ident: str, base: str, title: str, description: str) -> Json:
    """Type, id, canonical, names, status, and a description that ends with the caution."""
    return {
        "resourceType": kind,
        "id": ident,
        "url": f"{base}/{kind}/{ident}",
        "version": RELEASE,
        "name": "".join(word.capitalize() for word in ident.split("-")),
        "title": title,
        "status": "active",
        "experimental": False,
        "publisher": PUBLISHER,
        "description": f"{description} {CAUTION}",
    }
