"""The records that a source sends, after validation and normalising (DESIGN 3).

Volumes are Decimal mL, pressures Decimal cm[H2O] gauge (negative for suction), flows mL/min, weights kg, all
rounded at intake and without trailing zeros, so that two records that say the same compare equal.
Instants are aware datetimes in UTC. Nothing here is mutable.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal, NamedTuple, TypeAlias

from msgspec import Struct

RecordKind = Literal["drain", "collector", "event", "reading", "correction", "retraction"]
Reads = Literal["level", "volume", "counter"]
SuctionMode = Literal["suction", "gravity"]
Indicator = Literal["reached", "not-reached", "not-assessed"]
Pattern = Literal["none", "intermittent", "continuous", "not-assessed"]
Presence = Literal["present", "absent", "not-assessed"]
Patency = Literal["patent", "obstructed", "not-assessed"]
NotReadReason = Literal["foam", "covered", "tilted"]
ObserverKind = Literal["practitioner", "device"]
Scale = Literal["gravity", "suction"]
EventKind = Literal[
    "connected",
    "replaced",
    "disconnected",
    "removed",
    "tipped",
    "emptied",
    "sampled",
    "reinfused",
    "irrigated",
    "clamped",
    "unclamped",
    "milked",
    "vented",
    "suction-prescribed",
    "weighed",
]

#: Events that decide which drain feeds which chamber.
CHANGE_KINDS: frozenset[str] = frozenset({"connected", "replaced", "disconnected", "removed"})


class Key(NamedTuple):
    """Names a record within a tenant. `source` is "" for drains and collectors, whose ids are tenant-wide. A
    `refold` is no record that a source sends (refolds.py)."""

    kind: RecordKind | Literal["refold"]
    source: str
    id: str


class Identifier(Struct, frozen=True):
    """A business identifier: the system that issued it and its value there."""

    system: str
    value: str


class Observer(Struct, frozen=True):
    """Who or what read the collector. A device's value is unverified until a person says otherwise."""

    kind: ObserverKind
    value: str
    system: str | None = None


class Drain(Struct, frozen=True, kw_only=True):
    """One tube in one patient. `joins` names the drains whose tubes a Y leads into this record's chamber."""

    key: Key
    patient: Identifier
    time_zone: str
    kind: str = "pleural"
    side: str | None = None
    label: str | None = None
    inserted_at: datetime | None = None
    weight: Decimal | None = None
    ward: str | None = None
    encounter: Identifier | None = None
    reads_every: timedelta | None = None
    reads: Reads | None = None
    joins: tuple[str, ...] = ()

    @property
    def id(self) -> str:
        return self.key.id


class Udi(Struct, frozen=True):
    """A unique device identifier as scanned (`aidc`, raw) or as printed (`hrf`); neither is rebuilt from the other."""

    device_identifier: str | None = None
    aidc: str | None = None
    hrf: str | None = None
    entry_type: Literal["barcode", "manual", "unknown"] | None = None


class Collector(Struct, frozen=True, kw_only=True):
    """One single-use collection unit or in-line bag. Dates are FHIR dates of the precision they came with."""

    key: Key
    profile: str
    serial: str | None = None
    lot: str | None = None
    made_on: str | None = None
    expires_on: str | None = None
    udi: Udi | None = None

    @property
    def id(self) -> str:
        return self.key.id


class ChamberLevels(Struct, frozen=True):
    """Levels that an event naming a collector states for one of its chambers."""

    chamber: str
    final_level: Decimal | None = None
    start_level: Decimal | None = None
    level_before: Decimal | None = None
    level_after: Decimal | None = None


class Event(Struct, frozen=True, kw_only=True):
    """Something done to a drain or its collector.

    `collector` is the new one for `connected` and `replaced`, the tipped one for `tipped`, the one the blood came
    from for `reinfused`. A `replaced` that names no drain names the old unit in `from_collector` and states levels
    by chamber.
    """

    key: Key
    kind: EventKind
    at: datetime
    drain: str | None = None
    collector: str | None = None
    from_collector: str | None = None
    chamber: str | None = None
    reads: Reads | None = None
    start_level: Decimal | None = None
    final_level: Decimal | None = None
    level_before: Decimal | None = None
    level_after: Decimal | None = None
    levels: tuple[ChamberLevels, ...] = ()
    volume: Decimal | None = None
    mode: SuctionMode | None = None
    pressure: Decimal | None = None
    weight: Decimal | None = None
    recorded_at: datetime | None = None
    observer: Observer | None = None
    note: str | None = None


class Suction(Struct, frozen=True, kw_only=True):
    """Suction as prescribed, as set on the unit and as measured: three things. cm[H2O], negative."""

    mode: SuctionMode | None = None
    prescribed: Decimal | None = None
    set: Decimal | None = None
    applied: Decimal | None = None
    indicator: Indicator | None = None


class PinchTest(Struct, frozen=True):
    """A tube pinched to find where air comes from: what was pinched, and what the bubbling did."""

    pinched: str
    bubbling: Literal["stops", "persists"]


class AirLeak(Struct, frozen=True, kw_only=True):
    """Air seen in the leak meter. `grade` is ordinal on the profile's scale; `flow` is mL/min."""

    grade: int | None = None
    flow: Decimal | None = None
    pattern: Pattern | None = None
    provoked: Literal["cough"] | None = None
    test: PinchTest | None = None


class Reading(Struct, frozen=True, kw_only=True):
    """What somebody or a device read at one instant. At most one of level, volume+from_, counter is the amount read;
    a volume may accompany a level as a cross-check."""

    key: Key
    drain: str
    at: datetime
    collector: str | None = None
    level: Decimal | None = None
    volume: Decimal | None = None
    from_: datetime | None = None
    counter: Decimal | None = None
    level_not_read: NotReadReason | None = None
    suction: Suction | None = None
    pressure: Decimal | None = None
    air_leak: AirLeak | None = None
    tidaling: Presence | None = None
    swing: Decimal | None = None
    patency: Patency | None = None
    appearance: tuple[str, ...] = ()
    scale: Scale | None = None
    recorded_at: datetime | None = None
    observer: Observer | None = None
    note: str | None = None


Statement: TypeAlias = Drain | Collector | Event | Reading


class Correction(Struct, frozen=True, kw_only=True):
    """The whole record as it should have been; keeps the id and kind of what it corrects."""

    key: Key
    corrects: Key
    made_at: datetime
    record: Statement


class Retraction(Struct, frozen=True, kw_only=True):
    """Says that a record should never have existed. Final. `retracts` is an id of the same source; `target_kind` tells
    which where a drain or a collector shares the id with a reading or an event."""

    key: Key
    retracts: str
    made_at: datetime
    reason: str | None = None
    target_kind: RecordKind | None = None


Record: TypeAlias = Drain | Collector | Event | Reading | Correction | Retraction
