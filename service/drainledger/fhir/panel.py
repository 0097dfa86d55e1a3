"""The panel of one reading: which Observations were made together; it holds no copy of their values."""

from __future__ import annotations

from drainledger.domain.entries import NodeEntry
from drainledger.domain.records import Reading
from drainledger.fhir.sheet import Sheet, components, note


def add_panel(sheet: Sheet, entry: NodeEntry, reading: Reading) -> None:
    """Refers to all that the reading gave; the drain's number (LOINC 81664-5) is a component where it has a label."""
    if not sheet.references:
        return
    number = sheet.texts.drain.label
    parts = [] if number is None else [sheet.kit.component_text("drain-number", number)]
    sheet.add(
        "drain-panel",
        "",
        sheet.own,
        entry.stamp,
        sheet.at(reading.at),
        "",
        performer=sheet.performer,
        note=note(reading.note),
        tail=f',"hasMember":[{",".join(sheet.references)}]',
        components=components(parts),
    )
