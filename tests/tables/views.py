"""Runs ViewDefinitions by a library that knows nothing of this project: sqlonfhir (PyPI), over fhirpathpy.

Beside it stand the rows of a table, both as what they are and not as text: decimals exact, times as instants.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

import sqlonfhir

from drainledger.fhir.tables import TABLES, Row, Table, row, view_definitions
from tests.fhir import samples

Json = dict[str, Any]


def by_view(table: Table, resources: Sequence[Json]) -> Counter[tuple[object, ...]]:
    """What the table's ViewDefinition makes of resources; it must name each column once, in the table's order."""
    (view,) = [one for one in view_definitions(samples.BASE, "R4") if one["id"] == f"drain-{table.name}"]
    return Counter(_typed(table, found) for found in sqlonfhir.evaluate(resources, view))


def by_table(table: Table, resources: Iterable[Json]) -> Counter[tuple[object, ...]]:
    found = (row(table, one) for one in resources)
    return Counter(tuple(one.values()) for one in found if one is not None)


def _typed(table: Table, found: Row) -> tuple[object, ...]:
    assert list(found) == [column.name for column in table.columns]
    return tuple(_value(column.kind, found[column.name]) for column in table.columns)


def _value(kind: str, value: Any) -> object:
    if value is None:
        return None
    if kind == "decimal":
        assert isinstance(value, int | Decimal), "a float is not exact"
        return Decimal(value)
    return datetime.fromisoformat(value) if kind == "instant" else value


def names() -> list[str]:
    return list(TABLES)
