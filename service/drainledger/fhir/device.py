"""Device and DeviceMetric: the tube, the unit with its chambers and measured channels, and the adapter itself.

R4 device.html and devicemetric.html. Never Device.patient: it goes stale at a change; the uses have dates.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from decimal import Decimal
from typing import Any

from drainledger.domain.collectors import Chamber
from drainledger.domain.entries import CollectorUse, Connection
from drainledger.domain.records import Collector, Drain, Key, Udi
from drainledger.fhir.about import identifier, reference
from drainledger.fhir.dialect import Json, adapt
from drainledger.fhir.fragments import encode, words
from drainledger.fhir.ids import join, message_name, part_text
from drainledger.fhir.kit import Kit
from drainledger.fhir.resource import Resource

CAUTION = (
    "Not a medical device, not an alarm, not a basis for treatment: check the patient; "
    "local policy and licensed practice decide."
)
_GS1 = "http://hl7.org/fhir/NamingSystem/gs1-di"  # UDI issuer, listed at R4 Device.udiCarrier.issuer


def resource(kit: Kit, described: Json, record: Key | None, code: str = "") -> Resource:
    """A described R4 resource as this kit's version writes it, with the message that it comes from."""
    if record is not None:
        meta = {"source": f"{kit.base}/message#{message_name(record)}", **described.get("meta", {})}
        described = {**described, "meta": meta}
    written = adapt(described, kit.fhir)
    return Resource(written["resourceType"], written["id"], encode(written), record, code)


def identifiers(kit: Kit, kind: str, value: str) -> list[Json]:
    return [{"system": f"{kit.sid}/{kind}", "value": value}]


def record_value(key: Key, part: str = "") -> str:
    """An identifier's value for what a tenant-wide record gives: kind, id and part, which one system holds together."""
    return message_name(key) + (f".{part_text(part)}" if part else "")


def adapter(kit: Kit) -> Resource:
    """The software that assembles and works out; author of findings, agent of every Provenance."""
    return resource(
        kit,
        {
            "resourceType": "Device",
            "id": kit.ids.adapter(),
            "identifier": identifiers(kit, "device", "adapter"),
            "status": "active",
            "deviceName": [{"name": "Drainledger", "type": "user-friendly-name"}],
            "type": kit.vocabulary.concept("adapter-software"),
            "version": [{"value": kit.version}],
            "note": [{"text": CAUTION}],
        },
        None,
    )


def tube(kit: Kit, drain: Drain, *, in_place: bool, retracted: bool) -> Resource:
    """The drain, apart from the units that it leads to: it outlives them, and outputs are added up by it."""
    described: Json = {
        "resourceType": "Device",
        "id": kit.ids.drain(drain.id),
        "identifier": identifiers(kit, "device", record_value(drain.key)),
        "status": _status(in_place, retracted),
        "type": kit.vocabulary.concept("drain-catheter"),
    }
    if drain.label is not None:
        described["deviceName"] = [{"name": words(drain.label), "type": "user-friendly-name"}]
    return resource(kit, described, drain.key)


def unit_and_channels(
    kit: Kit,
    use: CollectorUse,
    connections: Sequence[Connection],
    drains: Mapping[str, Drain],
    *,
    retracted: bool,
) -> Iterator[Resource]:
    """The unit, its chambers, and a DeviceMetric a measured channel. All connections over: the unit is discarded."""
    in_use = any(connection.end is None for connection in connections)
    kept = in_use or not connections
    yield resource(kit, _unit(kit, use, kept=kept, retracted=retracted), use.collector.key)
    for chamber in use.profile.chambers:
        yield resource(kit, _chamber(kit, use, chamber, kept=kept, retracted=retracted), use.collector.key)
    for chamber in use.profile.chambers:
        mine = [connection for connection in connections if connection.chamber == chamber.id]
        described = _level_metric(kit, use.collector, chamber, _state(mine, retracted), _period(mine, drains))
        yield resource(kit, described, use.collector.key)
    for channel, code in (("pressure", "drain-pressure"), ("air-flow", "air-leak-flow")):
        if channel in use.profile.measures:
            described = _metric(kit, use.collector, channel, code, _state(connections, retracted))
            yield resource(kit, described, use.collector.key)


def _status(kept: bool, retracted: bool) -> str:
    """R4 device-status: inactive once it is no longer available for use."""
    if retracted:
        return "entered-in-error"
    return "active" if kept else "inactive"


def _unit(kit: Kit, use: CollectorUse, *, kept: bool, retracted: bool) -> Json:
    collector, profile = use.collector, use.profile
    vocabulary = kit.vocabulary
    described: Json = {
        "resourceType": "Device",
        "id": kit.ids.collector(collector.id),
        "meta": {"profile": [f"{kit.base}/StructureDefinition/drain-collector"]},
        "identifier": identifiers(kit, "device", record_value(collector.key)),
        "udiCarrier": [] if collector.udi is None else [_udi(collector.udi)],
        "status": _status(kept, retracted),
        "manufactureDate": collector.made_on,
        "expirationDate": collector.expires_on,
        "lotNumber": None if collector.lot is None else words(collector.lot),
        "serialNumber": None if collector.serial is None else words(collector.serial),
        "deviceName": [{"name": profile.display, "type": "user-friendly-name"}],
        "type": vocabulary.concept("inline-bag" if profile.in_line else "collection-unit"),
        "property": [_property(kit, "chamber-count", Decimal(len(profile.chambers)))],
    }
    capacities = [chamber.capacity for chamber in profile.chambers if chamber.capacity is not None]
    if len(capacities) == len(profile.chambers):
        described["property"].append(_property(kit, "capacity", sum(capacities, Decimal(0))))
    return {name: value for name, value in described.items() if value not in (None, [])}


def _udi(udi: Udi) -> Json:
    """The scan as it was read, its separators kept, and the print as it was printed: neither is rebuilt."""
    carrier = {
        "deviceIdentifier": udi.device_identifier,
        "issuer": None if udi.device_identifier is None else _GS1,
        "carrierAIDC": None if udi.aidc is None else b64encode(udi.aidc.encode()).decode(),
        "carrierHRF": udi.hrf,
        "entryType": udi.entry_type,
    }
    return {name: value for name, value in carrier.items() if value is not None}


def _property(kit: Kit, code: str, value: Decimal) -> Json:
    """One valueQuantity, though R4 would let it repeat: R5 takes one."""
    return {"type": kit.vocabulary.concept(code), "valueQuantity": [kit.vocabulary.quantity(code, value)]}


def _chamber(kit: Kit, use: CollectorUse, chamber: Chamber, *, kept: bool, retracted: bool) -> Json:
    part = f"chamber.{chamber.id}"
    properties = [] if chamber.capacity is None else [_property(kit, "capacity", chamber.capacity)]
    properties += _graduations(kit, chamber)
    described = {
        "resourceType": "Device",
        "id": join(kit.ids.collector(use.collector.id), part),
        "identifier": identifiers(kit, "device", record_value(use.collector.key, part)),
        "status": _status(kept, retracted),
        "deviceName": [{"name": f"Chamber {chamber.id}", "type": "user-friendly-name"}],
        "type": kit.vocabulary.concept("chamber"),
        "property": properties,
        "parent": reference("Device", kit.ids.collector(use.collector.id)),
    }
    return {name: value for name, value in described.items() if value != []}


def _graduations(kit: Kit, chamber: Chamber) -> Iterator[Json]:
    """Where marks stand closer at the bottom, each distance says from which level to which it holds."""
    start = Decimal(0)
    for band in chamber.graduations:
        made = _property(kit, "graduation", band.step)
        if len(chamber.graduations) > 1:
            made["type"] = {**made["type"], "text": f"Graduation from {start:f} to {band.up_to:f} mL"}
        yield made
        start = band.up_to


def _state(connections: Sequence[Connection], retracted: bool) -> str | None:
    """DeviceMetric.operationalStatus: on while a drain feeds it, off after; unsaid before."""
    if retracted:
        return "entered-in-error"
    if not connections:
        return None
    return "on" if any(connection.end is None for connection in connections) else "off"


def _period(connections: Sequence[Connection], drains: Mapping[str, Drain]) -> timedelta | None:
    """How often the chamber is to be read: by the drain that feeds it last."""
    last = max(connections, key=lambda connection: (connection.start, connection.drain), default=None)
    drain = None if last is None else drains.get(last.drain)
    return None if drain is None else drain.reads_every


def _level_metric(
    kit: Kit, collector: Collector, chamber: Chamber, state: str | None, every: timedelta | None
) -> Json:
    channel = f"level.{chamber.id}"
    described = _metric(kit, collector, channel, "chamber-level", state)
    described["parent"] = reference("Device", join(kit.ids.collector(collector.id), f"chamber.{chamber.id}"))
    if every is not None:
        described["measurementPeriod"] = {"repeat": _repeat(every)}
    return described


def _metric(kit: Kit, collector: Collector, channel: str, code: str, state: str | None) -> Json:
    unit = kit.vocabulary.unit(code)
    described: dict[str, Any] = {
        "resourceType": "DeviceMetric",
        "id": join(kit.ids.collector(collector.id), channel),
        "identifier": identifiers(kit, "device-metric", record_value(collector.key, channel)),
        "type": kit.vocabulary.concept(code),
        "unit": {"coding": [{"system": unit["system"], "code": unit["code"], "display": unit["unit"]}]},
        "source": reference("Device", kit.ids.collector(collector.id)),
        "operationalStatus": state,
        "category": "measurement",
    }
    return {name: value for name, value in described.items() if value is not None}


def _repeat(every: timedelta) -> Json:
    """Once a period, in the largest unit that divides it."""
    for unit, length in (("h", timedelta(hours=1)), ("min", timedelta(minutes=1))):
        if not every % length:
            return {"frequency": 1, "period": Decimal(every // length), "periodUnit": unit}
    return {"frequency": 1, "period": Decimal(str(every / timedelta(seconds=1))), "periodUnit": "s"}


def patient(kit: Kit, drain: Drain) -> Resource:
    """Nothing but the identifier: no demographics here (FHIR.md 2 'subject')."""
    described: Json = {
        "resourceType": "Patient",
        "id": kit.ids.patient(drain.patient),
        "identifier": [identifier(drain.patient)],
    }
    return Resource("Patient", described["id"], encode(described), drain.key)
