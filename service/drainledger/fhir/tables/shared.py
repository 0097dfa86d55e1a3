"""Columns that several tables have."""

from __future__ import annotations

from typing import Final

from drainledger.fhir.tables.columns import Column, component, last, number, quantity

LAST: Final = ".replaceMatches('^.*/', '')"
NUMBER: Final = "value.ofType(Quantity)"


ABOUT: Final = (
    Column("observation_id", "text", "id of the Observation", "id", lambda one: one["id"]),
    Column(
        "patient_id",
        "text",
        "id of the Patient; no record number",
        f"subject.reference{LAST}",
        lambda one: last(one["subject"]),
    ),
)
DRAIN: Final = Column(
    "drain_id",
    "text",
    "id of the drain's Device",
    f"focus.first().reference{LAST}",
    lambda one: last(one["focus"][0]),
)
STATUS: Final = Column(
    "status",
    "text",
    "preliminary, final, amended or corrected; entered-in-error is left out",
    "status",
    lambda one: one["status"],
)


def part_path(code: str) -> str:
    return f"component.where(code.coding.where(system = %local and code = '{code}').exists()).value"


def part_number(name: str, code: str, meaning: str, unit: str) -> Column:
    return Column(
        name,
        "decimal",
        meaning,
        f"{part_path(code)}.ofType(Quantity).value",
        lambda one: number(quantity(component(one, code)).get("value")),
        unit,
    )
