"""A drain's ledger in the JSON shape of DESIGN 6: decimals as strings, an unknown output null, times in the drain's
offset. The service answers with the same view."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import TypedDict
from zoneinfo import ZoneInfo

from drainledger.domain.entries import Bound, DrainLedger, Finding, Interval, NodeEntry, Total, Window
from drainledger.domain.records import Correction, Drain, Event, Key, Reading, Record, Retraction


class PatientView(TypedDict):
    system: str
    value: str


class IntervalView(TypedDict):
    collector: str | None
    chamber: str | None
    start: str | None
    end: str
    output_ml: str | None
    bound: Bound
    output_sd_ml: str | None
    irrigant_ml: str
    rate_ml_h: str | None
    rate_ml_kg_h: str | None
    records: list[str]
    findings: list[str]


class TotalView(TypedDict):
    since: str
    at: str
    total_ml: str
    bound: Bound
    total_sd_ml: str | None
    net_ml: str


class WindowView(TypedDict):
    name: str
    start: str
    end: str
    covers: list[str]
    total_ml: str
    net_ml: str
    bound: Bound
    coverage: str
    clamped_min: str
    status: str


class FindingView(TypedDict):
    code: str
    issue: bool
    at: str
    records: list[str]
    text: str


class UnusedView(TypedDict):
    """A record that the arithmetic does not use as things stand; `findings` say why. `at` is null for a drain or a
    collector, which state no time."""

    record: str
    kind: str
    at: str | None
    findings: list[str]


class DrainView(TypedDict):
    drain: str
    patient: PatientView
    held: int
    waiting: int
    intervals: list[IntervalView]
    totals: list[TotalView]
    windows: list[WindowView]
    findings: list[FindingView]
    set_aside: list[UnusedView]
    waiting_records: list[UnusedView]


def drain_view(ledger: DrainLedger) -> DrainView:
    """One entry of `drains`."""
    view = GrowingView(ledger.drain)
    view.add(ledger.nodes, ledger.windows)
    return view.of(ledger)


class GrowingView:
    """One entry of `drains`, made from stretches of the drain's ledger in their order."""

    def __init__(self, drain: Drain) -> None:
        self._drain = drain
        self._zone = ZoneInfo(drain.time_zone)
        self._intervals: list[IntervalView] = []
        self._totals: list[TotalView] = []
        self._windows: list[Window] = []
        self._findings: list[FindingView] = []
        self._set_aside: list[UnusedView] = []
        self._waiting: list[UnusedView] = []

    def add(self, nodes: Iterable[NodeEntry], windows: Iterable[Window]) -> None:
        zone = self._zone
        self._windows.extend(windows)
        for node in nodes:
            if node.interval:
                self._intervals.append(interval_view(node.interval, zone))
            if node.total:
                self._totals.append(total_view(node.total, zone))
            self._findings.extend(finding_view(finding, zone) for finding in node.findings)
            if node.status == "set-aside":
                self._set_aside.append(unused_view(node, zone))
            if node.status == "waiting":
                self._waiting.append(unused_view(node, zone))

    def of(self, ledger: DrainLedger) -> DrainView:
        """The whole: the findings of the drain itself (from `ledger`) stand before those of its records."""
        # What waits in the ledger itself may be more than its nodes: the ledger has counted it.
        let_go = len(self._waiting) - sum(node.status == "waiting" for node in ledger.nodes)
        windows = sorted(self._windows, key=lambda window: (window.start, window.end, window.name))
        return {
            "drain": self._drain.id,
            "patient": patient_view(self._drain),
            "held": ledger.held,
            "waiting": ledger.waiting + let_go,
            "intervals": self._intervals,
            "totals": self._totals,
            "windows": [window_view(window, self._zone) for window in windows],
            "findings": [finding_view(one, self._zone) for one in ledger.findings] + self._findings,
            "set_aside": self._set_aside,
            "waiting_records": self._waiting,
        }


def patient_view(drain: Drain) -> PatientView:
    return {"system": drain.patient.system, "value": drain.patient.value}


def interval_view(interval: Interval, zone: ZoneInfo) -> IntervalView:
    return {
        "collector": interval.collector,
        "chamber": interval.chamber,
        "start": None if interval.start is None else local_time(interval.start, zone),
        "end": local_time(interval.end, zone),
        "output_ml": decimal_text(interval.output),
        "bound": interval.bound,
        "output_sd_ml": decimal_text(interval.deviation),
        "irrigant_ml": plain_text(interval.irrigant),
        "rate_ml_h": decimal_text(interval.rate),
        "rate_ml_kg_h": decimal_text(interval.rate_per_weight),
        "records": record_ids(interval.records),
        "findings": list(interval.findings),
    }


def total_view(total: Total, zone: ZoneInfo) -> TotalView:
    return {
        "since": local_time(total.since, zone),
        "at": local_time(total.at, zone),
        "total_ml": plain_text(total.total),
        "bound": total.bound,
        "total_sd_ml": decimal_text(total.deviation),
        "net_ml": plain_text(total.net),
    }


def window_view(window: Window, zone: ZoneInfo) -> WindowView:
    return {
        "name": window.name,
        "start": local_time(window.start, zone),
        "end": local_time(window.end, zone),
        "covers": [local_time(instant, zone) for instant in window.covers],
        "total_ml": plain_text(window.total),
        "net_ml": plain_text(window.net),
        "bound": window.bound,
        "coverage": plain_text(window.coverage),
        "clamped_min": plain_text(window.clamped_minutes),
        "status": window.status,
    }


def finding_view(finding: Finding, zone: ZoneInfo) -> FindingView:
    return {
        "code": finding.code,
        "issue": finding.issue,
        "at": local_time(finding.at, zone),
        "records": record_ids(finding.records),
        "text": finding.text,
    }


def unused_view(node: NodeEntry, zone: ZoneInfo) -> UnusedView:
    return {
        "record": node.key.id,
        "kind": node.record.kind if isinstance(node.record, Event) else node.key.kind,
        "at": local_time(node.at, zone),
        "findings": [finding.code for finding in node.findings],
    }


def record_view(record: Record, findings: list[str]) -> UnusedView:
    """A record that no drain's ledger shows; its time in UTC, for it belongs to no zone."""
    kind, at = record.key.kind, None
    if isinstance(record, Event | Reading):
        at = record.at
    elif isinstance(record, Correction | Retraction):
        at = record.made_at
    return {
        "record": record.key.id,
        "kind": record.kind if isinstance(record, Event) else kind,
        "at": None if at is None else local_time(at, ZoneInfo("UTC")),
        "findings": findings,
    }


def record_ids(keys: Iterable[Key]) -> list[str]:
    return [key.id for key in keys]


def local_time(instant: datetime, zone: ZoneInfo) -> str:
    """ISO 8601 with seconds and the offset that holds in `zone` at that instant; a fraction only where there is one."""
    return instant.astimezone(zone).isoformat()


def decimal_text(value: Decimal | None) -> str | None:
    return None if value is None else plain_text(value)


def plain_text(value: Decimal) -> str:
    """Every digit that the value has, never an exponent."""
    return format(value, "f")
