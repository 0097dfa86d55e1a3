"""Rows of a table from Observations."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from drainledger.fhir.tables.columns import Column, Json, Row, Table

WITHDRAWN: Final = "entered-in-error"


def row(table: Table, one: Json, more: Sequence[Column] = (), *, withdrawn: bool = False) -> Row | None:
    """An Observation (R4 or R5; numbers int or Decimal) as a row of a table; None where it is of another code, or was
    withdrawn and `withdrawn` doesn't ask for these. `more` are columns beyond the table's own."""
    # The local code stands first, wherever the local code system lives.
    if one["resourceType"] != "Observation" or one["code"]["coding"][0]["code"] not in table.codes:
        return None
    if one["status"] == WITHDRAWN and not withdrawn:
        return None
    return {column.name: column.pick(one) for column in (*table.columns, *more)}
