"""The ledger's entries as FHIR resources: the one door to this package's rendering.

Pure: the same entries give the same bytes. There is no history here: statuses are those of DESIGN 5.3 (final,
preliminary, corrected, entered-in-error) unless the caller, who may hold one, says otherwise.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Literal

from msgspec import structs

import drainledger
from drainledger.domain.entries import (
    CollectorUse,
    Connection,
    Finding,
    NodeEntry,
    Window,
)
from drainledger.domain.records import Drain, Event, Key, Reading
from drainledger.fhir import device
from drainledger.fhir import use as uses
from drainledger.fhir.bedside import Bedside
from drainledger.fhir.codes import Code
from drainledger.fhir.event import add_event
from drainledger.fhir.fragments import quote
from drainledger.fhir.ids import key_text, readable
from drainledger.fhir.issue import detected_issue, evidence, implicated
from drainledger.fhir.kit import Kit
from drainledger.fhir.output import add_level_not_read, add_levels, add_output
from drainledger.fhir.panel import add_panel
from drainledger.fhir.provenance import provenance, reference_text
from drainledger.fhir.resource import Fhir, Resource
from drainledger.fhir.sheet import Sheet
from drainledger.fhir.window import window_observations
from drainledger.fhir.withdrawn import withdrawn_entry

BASE = "https://drainledger.example/fhir"


class Renderer:
    """Renders for one tenant and one FHIR version. Raises MissingCode when `codes` lacks one that rendering needs."""

    def __init__(
        self,
        codes: Mapping[str, Code],
        *,
        base: str = BASE,
        tenant: str = "default",
        fhir: Fhir = "R4",
        patient_secret: bytes = b"",
        version: str = drainledger.__version__,
    ) -> None:
        if quote(base) != f'"{base}"' or base.endswith("/"):
            raise ValueError("base must be a plain URL without a slash at its end")
        self._kit = Kit(
            codes, base=base, tenant=tenant, fhir=fhir, patient_secret=patient_secret, version=version
        )
        self.ids = self._kit.ids
        self.vocabulary = self._kit.vocabulary
        self.base = base

    def adapter(self) -> Resource:
        """The Device that every Provenance and DetectedIssue names."""
        return device.adapter(self._kit)

    def drain(
        self,
        drain: Drain,
        *,
        since: datetime | None = None,
        removed_at: datetime | None = None,
        stamp: datetime | None = None,
        retracted: bool = False,
    ) -> list[Resource]:
        """Patient, Device (the tube), its use, Provenance. `since` is the drain's first connection or amount."""
        written = [
            device.patient(self._kit, drain),
            device.tube(self._kit, drain, in_place=removed_at is None, retracted=retracted),
            uses.drain_in_place(self._kit, drain, since, removed_at, stamp, retracted=retracted),
        ]
        recorded = stamp or drain.inserted_at or since
        return written + self._heads_provenance(
            drain.key, drain.time_zone, written, drain.inserted_at, recorded
        )

    def collector(
        self,
        use_of: CollectorUse,
        connections: Sequence[Connection] = (),
        drains: Mapping[str, Drain] | None = None,
        *,
        stamp: datetime | None = None,
        retracted: bool = False,
    ) -> list[Resource]:
        """The unit, its chambers and channels, its use on each patient, Provenance. `connections` are all of this
        collector, of every drain; `drains` holds theirs by id."""
        known = drains or {}
        written = [
            *device.unit_and_channels(self._kit, use_of, connections, known, retracted=retracted),
            *uses.unit_in_use(self._kit, use_of, connections, known, retracted=retracted),
        ]
        first = min(connections, key=lambda connection: (connection.start, connection.drain), default=None)
        zone = "UTC" if first is None or first.drain not in known else known[first.drain].time_zone
        recorded = stamp or (None if first is None else first.start)
        return written + self._heads_provenance(use_of.collector.key, zone, written, None, recorded)

    def _heads_provenance(
        self,
        key: Key,
        zone: str,
        written: Sequence[Resource],
        occurred: datetime | None,
        recorded: datetime | None,
    ) -> list[Resource]:
        kit = self._kit
        targets = [reference_text(resource) for resource in written]
        uuid = kit.ids.record(key)
        times = kit.times(zone)
        return [
            provenance(kit, uuid, targets, [key], times, occurred=occurred, recorded=recorded, record=key)
        ]

    def connection(
        self, connection: Connection, drain: Drain, *, stamp: datetime | None = None
    ) -> list[Resource]:
        """The use of a chamber by a drain, and its Provenance from the records that open and close it."""
        kit = self._kit
        statement = uses.chamber_in_use(kit, connection, drain, stamp)
        closed = connection.closed_by
        sources = [
            connection.opened_by,
            *([] if closed is None or closed == connection.opened_by else [closed]),
        ]
        origin = provenance(
            kit,
            kit.ids.within(kit.ids.record(connection.opened_by), "use", connection.chamber),
            [reference_text(statement)],
            sources,
            kit.times(drain.time_zone),
            occurred=connection.start,
            recorded=stamp or connection.end or connection.start,
            record=connection.opened_by,
        )
        return [statement, origin]

    def node(
        self,
        entry: NodeEntry,
        drain: Drain,
        use: CollectorUse | None = None,
        *,
        statuses: Mapping[str, str] | None = None,
        issued: datetime | None = None,
    ) -> list[Resource]:
        """All that one record gives in one drain: Observations, DetectedIssues, its Provenance last.

        `use` is the unit of the entry's connection. `statuses` holds statuses by part (the id after its first dot)
        where a history says other than `convert`; `issued` stands instead of each entry's stamp. A waiting record
        gives no more than the issues that it raises.
        """
        if entry.status == "waiting":
            entry = structs.replace(entry, levels=(), interval=None, total=None, connection=None)
        sheet = self._sheet(entry, drain, statuses or {}, issued)
        if entry.status != "waiting":
            self._write(sheet, entry, use)
        self._finish(sheet, entry, issued)
        return sheet.resources

    def _sheet(
        self,
        entry: NodeEntry,
        drain: Drain,
        statuses: Mapping[str, str],
        issued: datetime | None,
        *,
        withdrawn: bool = False,
    ) -> Sheet:
        return Sheet(
            self._kit,
            self._kit.drain(drain),
            entry.key,
            corrected=entry.corrected,
            observer=entry.record.observer,
            issued=issued,
            statuses=statuses,
            withdrawn=withdrawn,
        )

    def _write(self, sheet: Sheet, entry: NodeEntry, use: CollectorUse | None) -> None:
        record = entry.record
        add_levels(sheet, entry)
        if isinstance(record, Reading):
            add_level_not_read(sheet, entry, record)
        add_output(sheet, entry)
        if isinstance(record, Reading):
            Bedside(sheet, entry, record, None if use is None else use.profile).add_all(entry)
            add_panel(sheet, entry, record)
        else:
            add_event(sheet, entry, record)

    def _finish(self, sheet: Sheet, entry: NodeEntry, issued: datetime | None) -> None:
        """Findings, then the Provenance of all. Where a record names no drain, each drain has its own of both."""
        record = entry.record
        uuid, value = sheet.uuid, sheet.key_name
        if record.drain != entry.drain:
            uuid = self._kit.ids.in_drain(entry.key, entry.drain)
            value = f"{value}.{readable(entry.drain)}"
        for number, finding in _numbered(entry.findings):
            self._add_issue(sheet, entry, finding, number, uuid, value)
        if not sheet.references:
            return
        made = provenance(
            self._kit,
            uuid,
            sheet.references,
            [entry.key, *self._weighed_by(entry)],
            sheet.texts.times,
            occurred=entry.at,
            recorded=issued or entry.stamp,
            observer=record.observer,
            record=entry.key,
        )
        sheet.resources.append(made)

    def _weighed_by(self, entry: NodeEntry) -> list[Key]:
        """The record that gave the weight of a rate per weight, where it is another one: no Observation states it."""
        interval = entry.interval
        if interval is None or interval.rate_per_weight is None or interval.weighed_by in (None, entry.key):
            return []
        sent = "output-rate-per-weight" in self._kit.templates
        return [interval.weighed_by] if sent and interval.weighed_by is not None else []

    def _add_issue(
        self, sheet: Sheet, entry: NodeEntry, finding: Finding, number: int, uuid: str, value: str
    ) -> None:
        preliminary = any(ground.what == "output" for ground in finding.grounds) and (
            entry.interval is not None and entry.interval.preliminary
        )
        status = "preliminary" if preliminary else sheet.derived
        made = detected_issue(
            self._kit,
            sheet.texts,
            finding,
            uuid=uuid,
            value=value,
            status=sheet.statuses.get(finding.code, status),
            number=number,
            about=implicated(sheet, entry, finding),
            seen_in=evidence(self._kit, entry, finding),
        )
        sheet.references.append(reference_text(made))
        sheet.resources.append(made)

    def retracted(
        self,
        record: Event | Reading,
        drain: Drain,
        connection: Connection | None = None,
        use: CollectorUse | None = None,
        *,
        stamp: datetime,
    ) -> list[Resource]:
        """What a retracted record itself said, entered-in-error and without its values. `stamp` is the retraction's
        made_at. What had been worked out from it is not among them: without a history nobody had it."""
        entry = withdrawn_entry(record, drain, connection, stamp)
        sheet = self._sheet(entry, drain, {}, None, withdrawn=True)
        self._write(sheet, entry, use)
        return sheet.resources

    def change(
        self,
        key: Key,
        made_at: datetime,
        targets: Sequence[Resource],
        kind: Literal["UPDATE", "NULLIFY"],
        *,
        time_zone: str = "UTC",
    ) -> Resource:
        """The Provenance of a correction (UPDATE) or a retraction (NULLIFY) over what it changed."""
        return provenance(
            self._kit,
            self.ids.record(key),
            [reference_text(resource) for resource in targets],
            [key],
            self._kit.times(time_zone),
            occurred=None,
            recorded=made_at,
            activity=kind,
            record=key,
        )

    def window(
        self, window: Window, drain: Drain, *, status: str | None = None, issued: datetime | None = None
    ) -> list[Resource]:
        """`charted-total`, `charted-net` and their Provenance, whose sources are the records of the intervals. Only a
        preliminary one is issued before its window ends, even where the drain's removal has closed it."""
        kit = self._kit
        texts = kit.drain(drain)
        stated = status or window.status
        stamp = issued or window.stamp
        if stated != "preliminary":
            stamp = max(stamp, window.end)
        written = window_observations(kit, texts, window, stated, texts.times(stamp))
        if not written:
            return []
        owners = [*(of.owner for of in window.intervals), *(of.owner for of in window.irrigated)]
        sources = list(dict.fromkeys(owners)) or [drain.key]
        made = provenance(
            kit,
            kit.ids.window(window.drain, window.name, window.day),
            [reference_text(resource) for resource in written],
            sources,
            texts.times,
            occurred=min(window.end, stamp),
            recorded=stamp,
        )
        return [*written, made]

    def issue(self, finding: Finding, drain: Drain, *, status: str = "final") -> list[Resource]:
        """A finding of the drain itself: DetectedIssue and Provenance; nothing for a note."""
        if not finding.issue:
            return []
        kit = self._kit
        texts = kit.drain(drain)
        uuid = kit.ids.in_drain(finding.owner, drain.id)
        value = f"{key_text(finding.owner)}.{readable(drain.id)}"
        made = detected_issue(kit, texts, finding, uuid=uuid, value=value, status=status)
        origin = provenance(
            kit,
            kit.ids.within(uuid, "issue", finding.code),
            [reference_text(made)],
            list(finding.records),
            texts.times,
            occurred=finding.at,
            recorded=finding.at,
            record=finding.owner,
        )
        return [made, origin]


def _numbered(findings: Sequence[Finding]) -> Iterator[tuple[int, Finding]]:
    """The issues among findings, each with its number among those of its code."""
    seen: Counter[str] = Counter()
    for finding in findings:
        if finding.issue:
            seen[finding.code] += 1
            yield seen[finding.code], finding
