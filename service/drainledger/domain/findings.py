"""Findings: which are issues, and how their sentence is made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from drainledger.domain.collectors import Rules
from drainledger.domain.entries import Finding, Ground
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
        "final-level-not-used",
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
    grounds: Sequence[Ground] = (),
) -> Finding:
    """A finding with its sentence. Instants among `facts` are shown as wall time in `zone`. `records` are what it rests
    on besides its owner and the records of its grounds."""
    rule = rules.attention.get(code)
    shown: dict[str, str | Decimal] = {"end": clock(at, zone, at)}
    for name, fact in facts.items():
        if isinstance(fact, Decimal):
            shown[name] = plain(fact)
        else:
            shown[name] = clock(fact, zone, at) if isinstance(fact, datetime) else fact
    return Finding(
        code=code,
        issue=rule.issue if rule is not None else code not in NOTES,
        at=at,
        owner=owner,
        records=tuple(dict.fromkeys((owner, *records, *(ground.owner for ground in grounds)))),
        text=sentence(code, rule.text if rule is not None else "", **shown),
        grounds=tuple(grounds),
    )
