"""The tables."""

from __future__ import annotations

from typing import Final

from drainledger.fhir.tables.checks import CHECKS
from drainledger.fhir.tables.columns import Column
from drainledger.fhir.tables.outputs import INTERVALS, TOTALS, WINDOW_NETS, WINDOWS

TABLES: Final = {table.name: table for table in (INTERVALS, TOTALS, WINDOWS, WINDOW_NETS, CHECKS)}

#: Who the patient is, only where it is asked for: in no ViewDefinition.
IDENTIFIERS: Final = (
    Column(
        "patient_system",
        "text",
        "who gave the record number",
        "subject.identifier.system",
        lambda one: one["subject"]["identifier"]["system"],
    ),
    Column(
        "patient_number",
        "text",
        "the record number",
        "subject.identifier.value",
        lambda one: one["subject"]["identifier"]["value"],
    ),
)
