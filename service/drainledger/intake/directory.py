"""What posted resources may refer to: the drains, collectors and patients of one tenant, as the journal names them."""

from __future__ import annotations

from collections.abc import Iterator

from drainledger.domain.collectors import Rules
from drainledger.domain.naming import slot_tie
from drainledger.domain.quantities import Units
from drainledger.domain.records import CHANGE_KINDS, Collector, Correction, Drain, Event
from drainledger.domain.statements import Slot
from drainledger.fhir import Renderer
from drainledger.fhir.reading import Desk, Named
from drainledger.store.codec import split_id
from drainledger.store.read import Read
from drainledger.store.rows import JournalRow


class JournalDirectory:
    """Answers from one state of the database, and remembers; it serves one request. It goes by what was charted, not by
    what the ledger makes of it: what is not told here for certain is judged there."""

    def __init__(self, read: Read, renderer: Renderer, rules: Rules) -> None:
        self._read = read
        self._renderer = renderer
        self._rules = rules
        self._devices: dict[str, Named | None] = {}
        self._drains: dict[str, Drain | None] = {}
        self._changes: dict[tuple[str, str], list[Event]] = {}

    def device(self, ident: str) -> Named | None:
        if ident not in self._devices:
            self._devices[ident] = self._device(ident)
        return self._devices[ident]

    def _device(self, ident: str) -> Named | None:
        uuid, part = split_id(ident)
        row = self._read.current([uuid]).get(uuid)
        entry = None if row is None else row.parts.get(part)
        if row is None or row.record is None or entry is None or entry.type not in ("Device", "DeviceMetric"):
            return None
        if row.record.space == "drain":
            return Named("drain", row.record.id)
        if row.record.space != "collector":
            return None
        kind, _, chamber = part.partition(".")
        return Named("collector", row.record.id, chamber if kind in ("chamber", "level") else None)

    def drain(self, drain: str) -> Drain | None:
        if drain not in self._drains:
            self._drains[drain] = self._drain(drain)
        return self._drains[drain]

    def _drain(self, drain: str) -> Drain | None:
        slot = Slot("drain", "", drain)
        row = self._read.find([slot]).get(slot)
        if row is None or not isinstance(row.record, Drain):
            return None
        changed = [each.record for each in self._read.rows_naming([slot_tie(slot)])]
        fitting = [
            (one.made_at, one.key.id, one.key.source, one.record)
            for one in changed
            if isinstance(one, Correction) and isinstance(one.record, Drain)
        ]
        last = max(fitting, key=lambda found: found[:3])[3] if fitting else row.record
        # A drain's patient can't be corrected.
        return last if last.patient == row.record.patient else row.record

    def patient(self, drain: Drain) -> str:
        return self._renderer.ids.patient(drain.patient)

    def drains_on(self, collector: str, chamber: str | None) -> frozenset[str]:
        """An event that states no chamber may have meant any."""
        return frozenset(
            event.drain
            for event in self._charted("collector", collector)
            if event.drain is not None
            and event.collector == collector
            and (chamber is None or event.chamber in (None, chamber))
        )

    def leak_scales(self, drain: str) -> frozenset[str]:
        ids = {event.collector for event in self._charted("drain", drain) if event.collector is not None}
        rows = self._read.find([Slot("collector", "", each) for each in ids]).values()
        profiles = [
            self._rules.profiles.get(row.record.profile) for row in rows if isinstance(row.record, Collector)
        ]
        scales = [profile.air_leak_scale for profile in profiles if profile is not None]
        return frozenset(scale.name for scale in scales if scale is not None)

    def _charted(self, kind: str, name: str) -> list[Event]:
        """Connections and changes of what has this name, corrected ones in each of their wordings."""
        if (kind, name) not in self._changes:
            self._changes[kind, name] = list(_changes(self._read.rows_naming([(kind, name)])))
        return self._changes[kind, name]


def _changes(rows: list[JournalRow]) -> Iterator[Event]:
    for row in rows:
        record = row.record.record if isinstance(row.record, Correction) else row.record
        if isinstance(record, Event) and record.kind in CHANGE_KINDS:
            yield record


def desk_for(read: Read, renderer: Renderer, rules: Rules, units: Units, roots: tuple[str, ...]) -> Desk:
    """What resources of one tenant are read by, as of one state of the database. `roots`: where FHIR is served."""
    return Desk(
        base=renderer.base,
        vocabulary=renderer.vocabulary,
        units=units,
        directory=JournalDirectory(read, renderer, rules),
        roots=roots,
    )
