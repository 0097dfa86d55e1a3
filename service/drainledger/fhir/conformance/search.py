"""Two SearchParameters of our own (R4 searchparameter.html; R5 reads alike)."""

from __future__ import annotations

from drainledger.fhir.conformance.common import head
from drainledger.fhir.dialect import Json


def search_parameters(base: str) -> list[Json]:
    """`period-end`: an interval counts in the period in which it ends, which R4's `date` on a Period can't say
    (search.html#prefix: it asks for overlap). `lot`: a recalled lot's units."""
    period_end = head(
        "SearchParameter",
        "period-end",
        base,
        "End of an Observation's period",
        "When the period of an Observation ends. An interval output counts in the period in which it ends: "
        "period-end=gt<start>&period-end=le<end> finds each interval once.",
    )
    lot = head("SearchParameter", "lot", base, "Lot number of a Device", "The lot of a unit, for a recall.")
    for described in (period_end, lot):
        del described["title"]  # R4 has none here
    return [
        {
            **period_end,
            "code": "period-end",
            "base": ["Observation"],
            "type": "date",
            "expression": "Observation.effective.ofType(Period).end",
            "comparator": ["eq", "gt", "ge", "lt", "le"],
        },
        {**lot, "code": "lot", "base": ["Device"], "type": "string", "expression": "Device.lotNumber"},
    ]
