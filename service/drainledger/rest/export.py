"""Bulk exports: resources by type into NDJSON files, as things stood at a horizon (Bulk Data Access IG 2.0.0,
export.html).

system   all that the tenant has: Patients, Devices, DeviceMetrics, DeviceUseStatements, Observations, DetectedIssues,
         Provenances, and AuditEvents for who may read them
patient  the compartments of all Patients (R4 compartmentdefinition-patient.html) without AuditEvents, the Devices and
         DeviceMetrics that they use or used, the Provenances of these, and the Device of this software
group    the same of the Patients of one ward

Each resource comes once, in its current version, so that adding up what carries LOINC 9129-8 gives the output.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from itertools import islice
from typing import Any, Final, Literal, TypeAlias

from msgspec import Struct

from drainledger.fhir import Renderer
from drainledger.fhir.dialect import USE_TYPE
from drainledger.fhir.fragments import encode
from drainledger.fhir.resource import Fhir
from drainledger.rest.adapter import adapter_of
from drainledger.rest.ndjson import Files, Lines
from drainledger.rest.repository import STORED
from drainledger.rest.scan import whole_id
from drainledger.rest.splicing import Splicer
from drainledger.rest.stored import Position, Source, Stored, Wanted
from drainledger.store.codec import split_id
from drainledger.store.store import Store
from drainledger.store.sweep import Standing, sweep

Level: TypeAlias = Literal["system", "patient", "group"]
Json: TypeAlias = dict[str, Any]

#: What each level may hold, by R4's names; the order in which a manifest names them.
OF_PATIENTS: Final = (
    "Patient",
    "Device",
    "DeviceMetric",
    "DeviceUseStatement",
    "Observation",
    "DetectedIssue",
    "Provenance",
)
TYPES: Final[Mapping[Level, tuple[str, ...]]] = {
    "system": (*OF_PATIENTS, "AuditEvent"),
    "patient": OF_PATIENTS,
    "group": OF_PATIENTS,
}
_UNITS: Final = frozenset({"Device", "DeviceMetric"})
_AT_ONCE: Final = 2000
#: What is said when all is read that is stored.
_MOST_PERCENT: Final = 98
_SUBJECT: Final = re.compile(rb'"reference":"Patient/([A-Za-z0-9.-]+)"')
_DEVICE: Final = re.compile(rb'"device":\{"reference":"Device/([A-Za-z0-9.-]+)"')


class Order(Struct, frozen=True, kw_only=True):
    """What is to be exported. `types` are R4's names; `patients` the only ones wanted, None for all of them; `elements`
    those at the root that are wanted. `url` is the call as it was made, `told` what was passed over in it."""

    fhir: Fhir
    level: Level
    types: tuple[str, ...]
    url: str
    since: datetime | None = None
    elements: tuple[str, ...] | None = None
    patients: frozenset[str] | None = None
    told: tuple[str, ...] = ()


class Export:
    """One export at work. `shown` makes of a resource the part that is wanted; `going` is told now and then how much of
    the whole is read, in percent, and how many resources are written, and may end it by raising."""

    def __init__(
        self,
        store: Store,
        sources: Mapping[str, Source],
        renderer: Renderer,
        tenant: str,
        order: Order,
        *,
        horizon: int,
        as_of: datetime,
        shown: Callable[[Json], Json],
        going: Callable[[int, int], None],
    ) -> None:
        self._store, self._sources, self._renderer = store, sources, renderer
        self._tenant, self._order, self._horizon, self._as_of = tenant, order, horizon, as_of
        self._shown, self._going = shown, going
        self._types = frozenset(order.types)
        #: Ids before the dot of what belongs to wanted patients and names none in its row.
        self._used: frozenset[str] = frozenset()

    def write(self, files: Files) -> None:
        """Writes everything; what cannot be written raises OSError."""
        if self._order.level != "system" and self._types & (_UNITS | {"Provenance"}):
            self._used = frozenset(self._uses())
        if self._types & STORED:
            self._put_held(files)
        with self._store.read(self._tenant) as read:
            adapter = adapter_of(self._renderer, read)
        if "Device" in self._types and adapter is not None and self._is_since(adapter):
            self._put(files, adapter)
        for type_ in ("Provenance", "AuditEvent"):
            if type_ in self._types:
                for found in self._scanned(self._rendered(type_)):
                    if self._is_wanted(found):
                        self._put(files, found)
                        self._tell(99, files)

    def _put(self, files: Files, found: Stored) -> None:
        order = self._order
        line = (
            found.wire(order.fhir)
            if order.elements is None
            else encode(self._shown(found.resource(order.fhir)))
        )
        name = USE_TYPE[order.fhir] if found.type == USE_TYPE["R4"] else found.type
        files.put(name, Lines(bytearray(line + b"\n"), 1), _patients_of(found))

    def _tell(self, percent: int, files: Files) -> None:
        if files.done % _AT_ONCE == 0:
            self._going(percent, files.done)

    # What the store holds

    def _put_held(self, files: Files) -> None:
        if self._order.since is not None:
            wanted = Wanted(types=self._types & STORED, since=self._order.since)
            for found in self._scanned(wanted):
                if self._is_wanted(found):
                    self._put(files, found)
            return
        is_plain = self._order.fhir == "R4" and self._order.elements is None
        splicer = Splicer()
        for number, each in enumerate(sweep(self._store, self._tenant, self._horizon)):
            if number % _AT_ONCE == 0:
                self._going(_percent(each), files.done)
            if is_plain and self._is_as_a_whole(each):
                self._put_row(files, each, splicer)
                continue
            for found in _stored(each, self._types):
                if self._is_wanted(found):
                    self._put(files, found)
        self._going(_MOST_PERCENT, files.done)

    def _is_as_a_whole(self, standing: Standing) -> bool:
        """Whether all that an id has is of the one patient whom its row names, and is wanted."""
        patient, wanted = standing.patient, self._order.patients
        return patient is not None and (wanted is None or patient in wanted)

    def _put_row(self, files: Files, standing: Standing, splicer: Splicer) -> None:
        """The same as `_put` for all of a row, in less time: most of an export goes through here."""
        patients = () if standing.patient is None else (standing.patient,)
        found = splicer.row(standing.parts, standing.bodies, standing.received, self._types)
        for type_, lines in found.items():
            files.put(type_, lines, patients)

    def _scanned(self, wanted: Wanted) -> Iterator[Stored]:
        """All of a scan, in several transactions: none of them lasts long."""
        source = self._sources[min(wanted.types)] if len(wanted.types) == 1 else self._sources["Observation"]
        if wanted.types == {"Device"}:
            source = self._sources["Observation"]  # the adapter comes apart
        place: Position | None = None
        done = 0
        while True:
            with self._store.read(self._tenant) as read:
                some = list(islice(source.scan(read, wanted, self._horizon, place), _AT_ONCE))
            yield from (found for _, found in some)
            if len(some) < _AT_ONCE:
                return
            place = some[-1][0]
            done += len(some)
            self._going(50, done)

    def _rendered(self, type_: str) -> Wanted:
        return Wanted(
            types=frozenset({type_}),
            since=self._order.since,
            until=self._as_of,
            patients=self._order.patients if type_ == "Provenance" else None,
        )

    # What belongs to whom

    def _uses(self) -> Iterator[str]:
        """Units that wanted patients use or used, and their uses that name no patient in their row."""
        wanted = Wanted(types=frozenset({"DeviceUseStatement"}), patients=self._order.patients)
        for use in self._scanned(wanted):
            if self._is_of_wanted(_patients_of(use)):
                yield split_id(use.id)[0]
                yield from (split_id(found.decode())[0] for found in _DEVICE.findall(use.body))

    def _is_wanted(self, found: Stored) -> bool:
        if self._order.level == "system":
            return True
        if found.patient is None and found.type in _UNITS:
            return split_id(found.id)[0] in self._used
        if found.patient is None and found.type == "Provenance":
            return split_id(found.id)[0] in self._used
        return self._is_of_wanted(_patients_of(found))

    def _is_of_wanted(self, patients: set[str]) -> bool:
        return bool(patients if self._order.patients is None else patients & self._order.patients)

    def _is_since(self, found: Stored) -> bool:
        return self._order.since is None or found.updated > self._order.since


def _stored(standing: Standing, types: frozenset[str]) -> Iterator[Stored]:
    for part, entry in standing.parts.items():
        if entry.type in types:
            yield Stored(
                type=entry.type,
                id=whole_id(standing.id, part),
                version=entry.version,
                updated=standing.received[part],
                body=standing.bodies[part],
                status=entry.status,
                code=entry.code,
                patient=standing.patient,
                drain=standing.drain,
            )


def _patients_of(found: Stored) -> set[str]:
    if found.patient is not None:
        return {found.patient}
    if found.type in _UNITS:
        return set()
    return {each.decode() for each in _SUBJECT.findall(found.body)}


def _percent(standing: Standing) -> int:
    """Ids are sums, evenly spread: how far one is in the order of all."""
    try:
        return min(_MOST_PERCENT, int(standing.id[:4], 16) * 100 >> 16)
    except ValueError:
        return 50
