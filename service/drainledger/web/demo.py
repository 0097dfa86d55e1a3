"""The open demonstration: no key, this machine alone, and it says so (DESIGN 10).

Listening on loopback keeps other machines out, but not a web page in a browser on this one: it could post here, or have
its own name resolve to this address and read. So the host asked for must be this machine, and no other site may ask.
"""

from __future__ import annotations

from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import Scope

from drainledger.settings import is_loopback
from drainledger.web.auth.principal import SCOPES, Principal
from drainledger.web.problems import Refusal

TENANT: Final = "demo"
#: Whoever calls the open demonstration.
ANYBODY: Final = Principal(tenant=TENANT, name="anybody", scopes=frozenset(SCOPES), client="demo")


def from_here(scope: Scope) -> None:
    """Raises Refusal `not-from-here` unless the request is this machine's own."""
    headers = Headers(scope=scope)
    if not _is_here(f"//{headers.get('host', '')}") or headers.get("sec-fetch-site") == "cross-site":
        raise _elsewhere()
    origin = headers.get("origin")
    if origin is not None and not _is_here(origin):
        raise _elsewhere()


def _is_here(address: str) -> bool:
    try:
        return is_loopback(urlsplit(address).hostname or "")
    except ValueError:
        return False


def _elsewhere() -> Refusal:
    return Refusal(
        "not-from-here",
        "Call it as http://127.0.0.1 or http://localhost, from this machine and not from another site's page.",
    )
