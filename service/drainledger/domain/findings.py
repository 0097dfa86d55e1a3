"""Findings: which are issues, and how their sentence is made."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from drainledger.domain.collectors import Rules
from drainledger.domain.entries import Finding
from drainledger.domain.quantities import plain
from drainledger.domain.records import Key
from drainledger.domain.texts import clock, sentence

#: Findings that stay in the ledger. All others become a DetectedIssue, but for those of attention.toml, which says
#: of each what it is.
NOTES: frozenset[str] = frozenset(
    {
        "within-reading-tolerance",
        "reinfusion-not-measured",
        "finer-than-graduation",
        "start-level-not-known",
        "closing-level-not-charted",
        "counter-reset",
        "chamber-was-full",
        "count-goes-on",
        "charted-already",
        "read-twice",
        "already-in-place",
        "not-connected",
        "not-connected-yet",
        "collector-unknown",
        "no-leak-scale",
    }
)


def make_finding(
    code: str,
    owner: Key,
    at: datetime,
    zone: ZoneInfo,
    rules: Rules,
    records: tuple[Key, ...],
    facts: Mapping[str, Decimal | str | datetime],
) -> Finding:
    """A finding with its sentence. Instants among `facts` are shown as wall time in `zone`."""
    rule = rules.attention.get(code)
    shown: dict[str, str | Decimal] = {"end": clock(at, zone, at)}
    numbers = []
    for name, fact in facts.items():
        if isinstance(fact, Decimal):
            numbers.append((name, plain(fact)))
            shown[name] = numbers[-1][1]
        else:
            shown[name] = clock(fact, zone, at) if isinstance(fact, datetime) else fact
    return Finding(
        code=code,
        issue=rule.issue if rule is not None else code not in NOTES,
        at=at,
        owner=owner,
        records=(owner, *(key for key in records if key != owner)),
        text=sentence(code, rule.text if rule is not None else "", **shown),
        detail=tuple(numbers),
    )
