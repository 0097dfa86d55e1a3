"""What a route is called in logs, figures and the audit trail."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

#: What routers are mounted under that don't name it themselves.
_MOUNTED: Final = re.compile(r"/fhir/R[45](?=/|$)")


def template_of(scope: Mapping[str, Any]) -> str:
    """The template of the route that a request, in ASGI's terms, went to; never the path, which can name whose data."""
    path: str | None = getattr(scope.get("route"), "path", None)
    if path is None:
        return "unmatched"
    mounted = _MOUNTED.match(scope["path"])
    return path if mounted is None or path.startswith(mounted[0]) else mounted[0] + path
