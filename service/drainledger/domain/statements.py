"""Which statement of each record is in force: the first accepted, its latest correction, or none when retracted.

A pure function of the set of records, whatever their order of arrival, but for one thing: of two records with one id
and different content the first accepted stands (DESIGN 3 'Ids').
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal, NamedTuple

from msgspec import Struct

from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Record,
    Retraction,
    Statement,
)

Added = Literal["accepted", "duplicate", "conflict"]
Standing = Literal["used", "waiting", "set-aside"]


class Slot(NamedTuple):
    """Where an id must be unique: drains and collectors per tenant, everything else per source."""

    space: str
    source: str
    id: str


def slot_of(key: Key) -> Slot:
    """The id's slot: readings, events, corrections and retractions of one source share one space."""
    if key.kind in ("drain", "collector", "refold"):
        return Slot(key.kind, "", key.id)
    return Slot("other", key.source, key.id)


class InForce(Struct, frozen=True):
    """A statement in force. `stamp` is the latest instant it states: its `at`, or when it was corrected."""

    record: Statement
    corrected: bool
    stamp: datetime | None


class Statements:
    """All records of a tenant by id, and what holds of each."""

    def __init__(self) -> None:
        self._by_slot: dict[Slot, Record] = {}
        self._corrections: dict[Slot, list[Correction]] = {}
        self._retractions: dict[str, list[Retraction]] = {}

    def add(self, record: Record) -> tuple[Added, set[Slot]]:
        """Takes a record in; answers what it is and which slots may now state something else."""
        slot = slot_of(record.key)
        known = self._by_slot.get(slot)
        if known is not None:
            return ("duplicate" if known == record else "conflict"), set()
        self._by_slot[slot] = record
        if isinstance(record, Correction):
            target = slot_of(record.corrects)
            self._corrections.setdefault(target, []).append(record)
            return "accepted", {target}
        if isinstance(record, Retraction):
            self._retractions.setdefault(record.retracts, []).append(record)
            return "accepted", set(self._candidates(record))
        touched = {slot}
        # An id that now exists under a source takes a bare retraction away from a drain or collector of that id.
        touched.update(
            Slot(space, "", slot.id) for space in ("drain", "collector") if slot.id in self._retractions
        )
        return "accepted", touched

    def forget(self, slot: Slot) -> None:
        """Drops a record that can't change any more (a settled one of an ordered stream)."""
        record = self._by_slot.pop(slot, None)
        for correction in self._corrections.pop(slot, ()):
            self._by_slot.pop(slot_of(correction.key), None)
        if record is not None and record.key.id in self._retractions:
            for retraction in self._retractions.pop(record.key.id):
                self._by_slot.pop(slot_of(retraction.key), None)

    def original(self, slot: Slot) -> Record | None:
        """The record first accepted under this id."""
        return self._by_slot.get(slot)

    def in_force(self, slot: Slot) -> InForce | None:
        """What holds of a record now; None where it is unknown, retracted, or no statement at all."""
        original = self._by_slot.get(slot)
        if (
            not isinstance(original, Drain | Collector | Event | Reading)
            or self.retraction_of(slot) is not None
        ):
            return None
        at = original.at if isinstance(original, Event | Reading) else None
        corrections = self._corrections.get(slot)
        if not corrections:
            return InForce(original, False, at)
        fitting = [c for c in corrections if self.correction_refused(c) is None]
        if not fitting:
            return InForce(original, False, at)
        last = max(fitting, key=lambda c: (c.made_at, c.key.id, c.key.source))
        record = last.record
        stated = record.at if isinstance(record, Event | Reading) else last.made_at
        return InForce(record, True, max(stated, last.made_at))

    def retraction_of(self, slot: Slot) -> Retraction | None:
        """The retraction that withdraws this record: of several, the first made."""
        found = [
            retraction
            for retraction in self._retractions.get(slot.id, ())
            if self._target(retraction) == slot and slot in self._by_slot
        ]
        return min(found, key=lambda r: (r.made_at, r.key.id, r.key.source), default=None)

    def standing(self, record: Correction | Retraction) -> Standing:
        """Whether a correction or a retraction is used, waits for its target, or is set aside."""
        if isinstance(record, Correction):
            if slot_of(record.corrects) not in self._by_slot:
                return "waiting"
            return "set-aside" if self.correction_refused(record) else "used"
        target = self._target(record)
        if target is None:
            return "waiting"
        known = self._by_slot[target]
        return "set-aside" if isinstance(known, Correction | Retraction) else "used"

    def correction_refused(self, correction: Correction) -> str | None:
        """Why a correction can't hold as things stand: a code, or None where it can."""
        original = self._by_slot.get(slot_of(correction.corrects))
        if isinstance(original, Correction | Retraction):
            return "corrects-a-change"
        if original is None or type(original) is not type(correction.record):
            return "corrects-another-kind"
        if isinstance(original, Drain) and isinstance(correction.record, Drain):
            return "patient-cannot-change" if original.patient != correction.record.patient else None
        return None

    def retracted(self) -> list[tuple[Statement, Retraction]]:
        """Every statement that has been withdrawn, as first accepted, with what withdrew it."""
        pairs = []
        for slot, record in self._by_slot.items():
            if slot.id in self._retractions and isinstance(record, Drain | Collector | Event | Reading):
                retraction = self.retraction_of(slot)
                if retraction is not None:
                    pairs.append((record, retraction))
        return pairs

    def records(self) -> list[Record]:
        """Everything accepted, in no particular order."""
        return list(self._by_slot.values())

    def _candidates(self, retraction: Retraction) -> list[Slot]:
        other = Slot("other", retraction.key.source, retraction.retracts)
        wide = [Slot("drain", "", retraction.retracts), Slot("collector", "", retraction.retracts)]
        return [other, *wide]

    def _target(self, retraction: Retraction) -> Slot | None:
        for slot in self._candidates(retraction):
            known = self._by_slot.get(slot)
            if known is not None and retraction.target_kind in (None, known.key.kind):
                return slot
        return None
