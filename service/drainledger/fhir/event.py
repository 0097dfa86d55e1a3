"""What an event says that is an Observation of its own: volumes moved by hand, and prescribed suction."""

from __future__ import annotations

from decimal import Decimal

from drainledger.domain.entries import NodeEntry
from drainledger.domain.records import Event
from drainledger.fhir.sheet import Sheet, components, note
from drainledger.fhir.template import ABSENT

_VOLUMES = {"sampled": "sample-withdrawn", "irrigated": "irrigant-instilled", "reinfused": "volume-reinfused"}


def add_event(sheet: Sheet, entry: NodeEntry, event: Event) -> None:
    """Nothing for the other kinds: what they change shows in levels, intervals and uses."""
    if event.kind in _VOLUMES:
        _add_volume(sheet, entry, event, _VOLUMES[event.kind])
    elif event.kind == "suction-prescribed":
        _add_prescribed(sheet, entry, event)


def _add_volume(sheet: Sheet, entry: NodeEntry, event: Event, code: str) -> None:
    template = sheet.kit.templates.get(code)
    if template is None:
        return
    unit = "" if event.collector is None else sheet.kit.unit(event.collector)
    sheet.add(
        code,
        "",
        sheet.own,
        entry.stamp,
        sheet.at(event.at),
        ABSENT["unknown"] if event.volume is None else template.quantity(event.volume),
        performer=sheet.performer,
        note=note(event.note),
        tail=unit,
    )


def _add_prescribed(sheet: Sheet, entry: NodeEntry, event: Event) -> None:
    """Gravity is 0 cm[H2O]: one scale for all three kinds of suction."""
    template = sheet.kit.templates.get("suction-prescribed")
    if template is None:
        return
    pressure = event.pressure
    if pressure is None and event.mode == "gravity":
        pressure = Decimal(0)
    parts = [] if event.mode is None else [sheet.kit.component_word("suction-mode", "mode", event.mode)]
    connection = entry.connection
    sheet.add(
        "suction-prescribed",
        "",
        sheet.own,
        entry.stamp,
        sheet.at(event.at),
        ABSENT["unknown"] if pressure is None else template.quantity(pressure),
        about="" if connection is None else sheet.texts.about_unit(connection.collector),
        performer=sheet.performer,
        note=note(event.note),
        components=components(parts),
    )
