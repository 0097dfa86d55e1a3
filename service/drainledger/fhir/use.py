"""DeviceUseStatement (R5 DeviceUsage): what was attached to whom, and when (R4 deviceusestatement.html).

One for the drain in place, one for a unit in use, one for each chamber serving a drain: the way from a recalled lot to
those who had it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from drainledger.domain.entries import CollectorUse, Connection
from drainledger.domain.records import Drain, Identifier
from drainledger.fhir.about import patient_reference, reference, site
from drainledger.fhir.device import identifiers, record_value, resource
from drainledger.fhir.dialect import USE_TYPE, Json
from drainledger.fhir.fragments import TimeTexts
from drainledger.fhir.ids import join, key_text, part_text, readable
from drainledger.fhir.kit import Kit
from drainledger.fhir.resource import Resource


def drain_in_place(
    kit: Kit,
    drain: Drain,
    since: datetime | None,
    removed_at: datetime | None,
    stamp: datetime | None,
    *,
    retracted: bool,
) -> Resource:
    """From insertion, or from the first connection or amount where insertion isn't stated, to removal."""
    times = kit.times(drain.time_zone)
    start = drain.inserted_at or since
    described = {
        **_head(kit, join(kit.ids.drain(drain.id), "use"), record_value(drain.key, "use")),
        "status": _status(removed_at, retracted),
        "subject": patient_reference(kit.ids, drain.patient),
        **_period(times, start, removed_at),
        **_recorded(times, stamp or removed_at or start),
        "device": reference("Device", kit.ids.drain(drain.id)),
        "bodySite": site(kit.vocabulary, drain),
    }
    return resource(kit, described, drain.key)


def chamber_in_use(kit: Kit, connection: Connection, drain: Drain, stamp: datetime | None) -> Resource:
    """A chamber serving a drain, tied to it by the extension connected-drain: no core element fits, for derivedFrom
    allows no Device."""
    times = kit.times(drain.time_zone)
    part = use_part(connection)
    opened = kit.ids.record(connection.opened_by)
    described = {
        **_head(kit, join(opened, part), f"{key_text(connection.opened_by)}.{part_text(part)}"),
        "extension": [
            {
                "url": f"{kit.base}/StructureDefinition/connected-drain",
                "valueReference": reference("Device", kit.ids.drain(drain.id)),
            }
        ],
        "status": _status(connection.end, False),
        "subject": patient_reference(kit.ids, drain.patient),
        **_period(times, connection.start, connection.end),
        **_recorded(times, stamp or connection.end or connection.start),
        "device": reference(
            "Device", join(kit.ids.collector(connection.collector), f"chamber.{connection.chamber}")
        ),
        "bodySite": site(kit.vocabulary, drain),
    }
    return resource(kit, described, connection.opened_by)


def unit_in_use(
    kit: Kit,
    use: CollectorUse,
    connections: Sequence[Connection],
    drains: Mapping[str, Drain],
    *,
    retracted: bool,
) -> Iterator[Resource]:
    """The unit on each patient whose drains it served, from the first connection to the last one's end. No site: it
    may serve two drains. What is corrected of the unit itself leaves its use as it was."""
    by_patient: dict[Identifier, list[Connection]] = {}
    for connection in sorted(connections, key=lambda connection: (connection.start, connection.drain)):
        if connection.drain in drains:
            by_patient.setdefault(drains[connection.drain].patient, []).append(connection)
    for patient, theirs in by_patient.items():
        first = theirs[0]
        times = kit.times(drains[first.drain].time_zone)
        ends = [connection.end for connection in theirs if connection.end is not None]
        end = max(ends) if len(ends) == len(theirs) else None
        uuid = kit.ids.within(kit.ids.collector(use.collector.id), "patient", kit.ids.patient(patient))
        described = {
            **_head(kit, join(uuid, "use"), f"{record_value(use.collector.key)}.{readable(uuid)}.use"),
            "status": _status(end, retracted),
            "subject": patient_reference(kit.ids, patient),
            **_period(times, first.start, end),
            **_recorded(times, end or first.start),
            "device": reference("Device", kit.ids.collector(use.collector.id)),
        }
        yield resource(kit, described, use.collector.key)


def use_part(connection: Connection) -> str:
    """The part of a connection's use: a record may open one for each chamber of a unit."""
    return f"{connection.chamber}.use"


def _head(kit: Kit, ident: str, value: str) -> Json:
    return {
        "resourceType": USE_TYPE["R4"],
        "id": ident,
        "identifier": identifiers(kit, "device-use", value),
    }


def _status(end: datetime | None, retracted: bool) -> str:
    if retracted:
        return "entered-in-error"
    return "active" if end is None else "completed"


def _recorded(times: TimeTexts, at: datetime | None) -> dict[str, Any]:
    """`recordedOn`: when the record was made, else when what it says had happened."""
    return {} if at is None else {"recordedOn": times(at)}


def _period(times: TimeTexts, start: datetime | None, end: datetime | None) -> dict[str, Any]:
    period = {name: times(at) for name, at in (("start", start), ("end", end)) if at is not None}
    return {"timingPeriod": period} if period else {}
