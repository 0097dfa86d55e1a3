"""A drain's ledger as `/v1` shows it: times in the drain's zone, decimals as text."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from drainledger.convert.ledger_view import (
    WindowView,
    drain_view,
    finding_view,
    interval_view,
    local_time,
    patient_view,
    plain_text,
    total_view,
    window_view,
)
from drainledger.domain.entries import DrainLedger, NodeEntry, Total, Window
from drainledger.domain.records import Event
from drainledger.domain.windows import rolling
from drainledger.intake.views import Change as Changed
from drainledger.web.v1 import shapes


def zone_of(ledger: DrainLedger) -> ZoneInfo:
    return ZoneInfo(ledger.drain.time_zone)


def summary(ledger: DrainLedger) -> shapes.DrainSummary:
    drain, total = ledger.drain, latest_total(ledger)
    return shapes.DrainSummary(
        drain=drain.id,
        patient=patient_view(drain),
        label=drain.label,
        kind=drain.kind,
        side=drain.side,
        ward=drain.ward,
        as_of=as_of(ledger),
        total_ml=None if total is None else plain_text(total.total),
        bound=None if total is None else total.bound,
        held=ledger.held,
        waiting=ledger.waiting,
    )


def detail(ledger: DrainLedger) -> shapes.DrainDetail:
    drain, zone, view = ledger.drain, zone_of(ledger), drain_view(ledger)
    return shapes.DrainDetail(
        drain=drain.id,
        patient=view["patient"],
        label=drain.label,
        kind=drain.kind,
        side=drain.side,
        ward=drain.ward,
        time_zone=drain.time_zone,
        inserted_at=_local(drain.inserted_at, zone),
        joins=list(drain.joins),
        corrected=ledger.corrected,
        as_of=as_of(ledger),
        held=ledger.held,
        waiting=ledger.waiting,
        total=view["totals"][-1] if view["totals"] else None,
        connections=[
            shapes.ConnectionView(
                collector=one.collector,
                chamber=one.chamber,
                reads=one.reads,
                start=local_time(one.start, zone),
                end=_local(one.end, zone),
            )
            for one in ledger.connections
        ],
        issues=[finding for finding in view["findings"] if finding["issue"]],
        set_aside=view["set_aside"],
        waiting_records=view["waiting_records"],
    )


def windows(ledger: DrainLedger) -> shapes.WindowsView:
    """The charted ones."""
    return shapes.WindowsView(
        drain=ledger.drain.id,
        as_of=as_of(ledger),
        held=ledger.held,
        waiting=ledger.waiting,
        windows=[window_view(one, zone_of(ledger)) for one in ledger.windows],
    )


def rolling_window(ledger: DrainLedger, hours: int, end: datetime) -> shapes.WindowsView:
    """The `hours` up to `end`."""
    found, zone = rolling(ledger.nodes, end - timedelta(hours=hours), end), zone_of(ledger)
    return shapes.WindowsView(
        drain=ledger.drain.id,
        as_of=as_of(ledger),
        held=ledger.held,
        waiting=ledger.waiting,
        windows=[],
        rolling=shapes.RollingView(
            hours=hours,
            start=local_time(found.start, zone),
            end=local_time(found.end, zone),
            total_ml=plain_text(found.total),
            net_ml=plain_text(found.net),
            bound=found.bound,
            coverage=plain_text(found.coverage),
        ),
    )


def change(changed: Changed, zone: ZoneInfo) -> shapes.Change:
    return shapes.Change(
        received_at=changed.cause.received_at.isoformat(),
        source=changed.cause.source,
        kind=changed.cause.key.kind,
        record=changed.cause.key.id,
        entries=[
            shapes.EntryChange(
                record=one.key.id, before=_entry_or_none(one.old, zone), after=_entry_or_none(one.new, zone)
            )
            for one in changed.nodes
        ],
        windows=[
            shapes.WindowChangeView(
                before=_window_or_none(one.old, zone), after=_window_or_none(one.new, zone)
            )
            for one in changed.windows
        ],
    )


def entry(node: NodeEntry, zone: ZoneInfo) -> shapes.EntryView:
    return shapes.EntryView(
        drain=node.drain,
        record=node.key.id,
        kind=node.record.kind if isinstance(node.record, Event) else node.key.kind,
        status=node.status,
        at=local_time(node.at, zone),
        interval=None if node.interval is None else interval_view(node.interval, zone),
        total=None if node.total is None else total_view(node.total, zone),
        findings=[finding_view(one, zone) for one in node.findings],
    )


def as_of(ledger: DrainLedger) -> str | None:
    """The instant of the drain's latest record."""
    return _local(ledger.as_of, zone_of(ledger))


def latest_total(ledger: DrainLedger) -> Total | None:
    return next((node.total for node in reversed(ledger.nodes) if node.total is not None), None)


def _local(instant: datetime | None, zone: ZoneInfo) -> str | None:
    return None if instant is None else local_time(instant, zone)


def _entry_or_none(node: NodeEntry | None, zone: ZoneInfo) -> shapes.EntryView | None:
    return None if node is None else entry(node, zone)


def _window_or_none(window: Window | None, zone: ZoneInfo) -> WindowView | None:
    return None if window is None else window_view(window, zone)
