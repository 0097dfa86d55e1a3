"""What goes into the store and comes out of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from drainledger.domain.naming import Tie
from drainledger.domain.problems import Problem
from drainledger.domain.records import Key
from drainledger.domain.refolds import Journaled, names_of
from drainledger.domain.statements import Slot, slot_of

HeldState = Literal["held", "replayed", "discarded"]


class NewRow(Struct, frozen=True):
    """A record, or a refold, to be journaled. `source` is who sent it, `raw` its bytes as received, `rules_version` by
    what it is judged, `principal` who was let in with it."""

    source: str
    record: Journaled
    raw: bytes
    rules_version: str
    principal: str


class JournalRow(Struct, frozen=True):
    """A journaled record. `received_at` is that of its commit."""

    seq: int
    received_at: datetime
    source: str
    record: Journaled
    raw: bytes
    rules_version: str
    principal: str

    @property
    def key(self) -> Key:
        return self.record.key

    @property
    def slot(self) -> Slot:
        return slot_of(self.record.key)

    @property
    def names(self) -> set[Tie]:
        return names_of(self.record)


class NewPart(Struct, frozen=True):
    """A resource's new version. `body` is the resource as rendered: without meta.versionId, meta.lastUpdated and
    issued, which are put in on the way out."""

    type: str
    version: int
    status: str
    code: str
    body: bytes


class NewVersions(Struct, frozen=True, kw_only=True):
    """The parts of one id that a commit changes: part -> its new version. The others stay as they are.

    `id` is the resource id before its first '.'. `patient` is a Patient's id, `drain` a drain record's id, `at` the
    instant that the record is about: by these it is found. `record` is the slot of the record that owns the id, None
    for windows.
    """

    id: str
    parts: Mapping[str, NewPart]
    patient: str | None = None
    drain: str | None = None
    at: datetime | None = None
    record: Slot | None = None


class Part(Struct, frozen=True, array_like=True):
    """A resource's version: `seq` tells the row that holds its body, `digest` is codec.digest_of that body."""

    type: str
    version: int
    seq: int
    digest: bytes
    status: str
    code: str


class VersionRow(Struct, frozen=True, kw_only=True):
    """What one commit left of one id: `parts` are all it has, `bodies` those written (None where not asked for).
    `received_at` is meta.lastUpdated of what was written."""

    id: str
    seq: int
    received_at: datetime
    parts: dict[str, Part]
    patient: str | None
    drain: str | None
    at: datetime | None
    record: Slot | None
    bodies: dict[str, bytes] | None = None

    @property
    def written(self) -> dict[str, Part]:
        """The parts that this row's commit wrote."""
        return {part: entry for part, entry in self.parts.items() if entry.seq == self.seq}


class StoredBody(Struct, frozen=True, kw_only=True):
    """One version of one resource."""

    id: str
    part: str
    type: str
    version: int
    seq: int
    received_at: datetime
    status: str
    code: str
    digest: bytes
    body: bytes


class NewHeld(Struct, frozen=True):
    """A record that can't be accepted: its bytes, why, and what of it could be read."""

    source: str
    raw: bytes
    problems: tuple[Problem, ...]
    drain: str | None = None
    record_id: str | None = None


class HeldRow(Struct, frozen=True, kw_only=True):
    """A held record. `seq` is the tenant's last when it came. `replayed_as` is the journal seq of what it became,
    `reason` why it was discarded, `closed_by` the principal who did either, at `closed_at`; None where that was
    not noted yet."""

    held_id: str
    seq: int
    received_at: datetime
    source: str
    raw: bytes
    problems: tuple[Problem, ...]
    drain: str | None
    record_id: str | None
    state: HeldState
    replayed_as: int | None
    reason: str | None = None
    closed_by: str | None = None
    closed_at: datetime | None = None


class NewDelivery(Struct, frozen=True):
    """A destination should have this version of a resource."""

    destination: str
    id: str
    part: str
    wanted: int


class MappingRow(Struct, frozen=True):
    """A version of the rules, and the seq of the first record that it could judge."""

    version: str
    first_seq: int
    content: bytes


class AuditRow(Struct, frozen=True, kw_only=True):
    """One access: who did what by which route, with what outcome, and whose data it touched. `audit_seq` is given by
    the store."""

    at: datetime
    principal: str
    action: str
    method: str
    route: str
    outcome: str
    request_id: str
    patients: tuple[str, ...] = ()
    drains: tuple[str, ...] = ()
    audit_seq: int = 0
