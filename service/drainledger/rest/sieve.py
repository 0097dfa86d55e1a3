"""What can be told of a resource's bytes before they are decoded: a code that is not in them is not its code.

Bodies are R4's; the codes of an Observation or a DetectedIssue read alike in R5.
"""

from __future__ import annotations

import re
from typing import Final

from drainledger.rest.asking import Query

_TYPES: Final = frozenset({"Observation", "DetectedIssue"})
_PARAMETERS: Final = frozenset({"code", "combo-code", "category"})
#: What JSON writes as it is.
_PLAIN: Final = re.compile(r"[A-Za-z0-9._:-]+")


class Sieve:
    """Of one query."""

    def __init__(self, query: Query) -> None:
        self._wanted = [
            re.compile("|".join(re.escape(f'"{code}"') for code in sorted(codes)).encode())
            for codes in _codes(query)
        ]

    def may_match(self, body: bytes) -> bool:
        """False only for what can't match."""
        return all(wanted.search(body) is not None for wanted in self._wanted)


def _codes(query: Query) -> list[set[str]]:
    """Of each parameter that asks for codes alone, those."""
    if query.type not in _TYPES:
        return []
    found: list[set[str]] = []
    for clause in query.clauses:
        if clause.parameter.name in _PARAMETERS and clause.modifier is None:
            codes = {getattr(asked, "code", None) for asked in clause.asked}
            if all(isinstance(code, str) and _PLAIN.fullmatch(code) for code in codes):
                found.append({str(code) for code in codes})
    return found
