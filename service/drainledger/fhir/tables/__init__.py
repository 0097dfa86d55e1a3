"""Observations as flat tables for analysts: one description gives rows, and ViewDefinitions that make the same."""

from __future__ import annotations

from drainledger.fhir.tables.columns import Column, Row, Table
from drainledger.fhir.tables.rows import row
from drainledger.fhir.tables.shapes import IDENTIFIERS, TABLES
from drainledger.fhir.tables.views import CAUTION, view_definitions, view_resources

__all__ = [
    "CAUTION",
    "IDENTIFIERS",
    "TABLES",
    "Column",
    "Row",
    "Table",
    "row",
    "view_definitions",
    "view_resources",
]
