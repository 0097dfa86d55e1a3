"""The shapes of `/v1`'s answers. The OpenAPI document is made from them, so that it can't say anything else."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from drainledger.convert.ledger_view import (
    DrainView,
    FindingView,
    IntervalView,
    PatientView,
    TotalView,
    UnusedView,
    WindowView,
)
from drainledger.domain.entries import Bound
from drainledger.domain.problems import Problem


class DrainSummary(Struct, kw_only=True):
    """One drain in a list. `as_of` is the instant of its latest record; `total_ml` its output up to the latest anchor,
    null where there is none yet. While `held` or `waiting` is not 0, records that name the drain are not in it."""

    drain: str
    patient: PatientView
    label: str | None
    kind: str
    side: str | None
    ward: str | None
    as_of: str | None
    total_ml: str | None
    bound: Bound | None
    held: int
    waiting: int


class DrainsPage(Struct, kw_only=True):
    """`next` is the cursor of the page after this one, null at the end."""

    drains: list[DrainSummary]
    next: str | None


class ConnectionView(Struct, kw_only=True):
    """A chamber that the drain feeds, or fed until `end`. `reads`: what is read of it (level, volume or counter)."""

    collector: str
    chamber: str
    reads: str
    start: str
    end: str | None


class DrainDetail(Struct, kw_only=True):
    """One drain: what was said of it, what it is connected to, its running total, and what was noticed that somebody
    should look at (`issues`)."""

    drain: str
    patient: PatientView
    label: str | None
    kind: str
    side: str | None
    ward: str | None
    time_zone: str
    inserted_at: str | None
    joins: list[str]
    corrected: bool
    as_of: str | None
    held: int
    waiting: int
    total: TotalView | None
    connections: list[ConnectionView]
    issues: list[FindingView]
    set_aside: list[UnusedView]
    waiting_records: list[UnusedView]


class RollingView(Struct, kw_only=True):
    """Output over the `hours` up to `end`, each interval shared by time; mL to 0.1. `coverage` is the share of the time
    whose output is known or bounded."""

    hours: int
    start: str
    end: str
    total_ml: str
    net_ml: str
    bound: Bound
    coverage: str


class WindowsView(Struct, kw_only=True):
    """A drain's charted windows, or one rolling window where that was asked for."""

    drain: str
    as_of: str | None
    held: int
    waiting: int
    windows: list[WindowView]
    rolling: RollingView | None = None


class EntryView(Struct, kw_only=True):
    """What one record contributes to one drain's ledger. `status`: used, set-aside or waiting."""

    drain: str
    record: str
    kind: str
    status: str
    at: str
    interval: IntervalView | None
    total: TotalView | None
    findings: list[FindingView]


class EntryChange(Struct, kw_only=True):
    """What an entry was and is; null where there was or is none."""

    record: str
    before: EntryView | None
    after: EntryView | None


class WindowChangeView(Struct, kw_only=True):
    """What a charted window was and is; null where there was or is none."""

    before: WindowView | None
    after: WindowView | None


class Change(Struct, kw_only=True):
    """What one record, received at `received_at`, changed in the ledger."""

    received_at: str
    source: str
    kind: str
    record: str
    entries: list[EntryChange]
    windows: list[WindowChangeView]


class ChangesView(Struct, kw_only=True):
    """What changed in a drain's ledger after `since`, an instant of receipt, in the order of the journal. `next` is the
    cursor of what came later still; null: there is no more."""

    drain: str
    since: str
    changes: list[Change]
    next: str | None = None


class LedgerView(Struct, kw_only=True):
    """The ledger of one drain, in the form that `drainledger convert --emit ledger` gives."""

    drains: list[DrainView]


class ReceivedView(Struct, kw_only=True):
    """A record as it was received: who sent it, when it was journaled, its bytes (`raw`; base64 in `raw_base64` where
    they are no text), and the mappings it is judged by."""

    seq: int
    received_at: str
    source: str
    kind: str
    record: str
    rules_version: str
    raw: str | None
    raw_base64: str | None = None


class ResourceView(Struct, kw_only=True):
    """One version of a resource that came of it."""

    reference: str
    version: int
    status: str
    seq: int
    received_at: str


class TraceView(Struct, kw_only=True):
    """From what was received to what was made of it, and back. `received` are the record that was asked for, or that
    the resource is of, and then those that it rests on; `ledger` its entries; `resources` its versions, oldest
    first."""

    ref: str
    received: list[ReceivedView]
    ledger: list[EntryView]
    resources: list[ResourceView]
    held: HeldView | None = None


class HeldView(Struct, kw_only=True):
    """A record that could not be accepted: its bytes as received, and why. `raw` is null and `raw_base64` holds it
    where the bytes are not UTF-8; both are null in a trace without the scope `operate`. `reason` is why it was
    discarded, `closed_by` who discarded or replayed it."""

    held_id: str
    state: Literal["held", "replayed", "discarded"]
    received_at: str
    source: str
    record: str | None
    drain: str | None
    problems: list[Problem]
    raw: str | None
    raw_base64: str | None = None
    replayed_as: int | None = None
    reason: str | None = None
    closed_by: str | None = None


class HeldPage(Struct, kw_only=True):
    """`next` is the cursor of the page after this one, null at the end."""

    held: list[HeldView]
    next: str | None


class Discarded(Struct, kw_only=True, frozen=True):
    """Why a held record will never be replayed."""

    reason: str
