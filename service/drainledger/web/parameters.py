"""Query parameters that may be given once: of two values either could be meant."""

from __future__ import annotations

from collections import Counter
from typing import Final

from fastapi import Request

from drainledger.web.problems import Refusal

#: All that `/v1` knows. Others mean nothing here, and are not looked at.
SINGLE: Final = frozenset(
    {"cursor", "limit", "state", "drain", "known_at", "changes_since", "rolling", "end"}
)


async def once_each(request: Request) -> None:
    """A dependency of every route of `/v1`. Raises Refusal `bad-parameter`."""
    given = Counter(name for name, _ in request.query_params.multi_items())
    for name in sorted(SINGLE & given.keys()):
        if given[name] > 1:
            raise Refusal("bad-parameter", "Give it once: it is there more than once.", parameter=name)
