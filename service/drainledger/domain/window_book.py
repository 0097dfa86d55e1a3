"""One drain's charted windows, kept up to date: only those that a change may touch are reckoned again."""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple, TypeAlias
from zoneinfo import ZoneInfo

from drainledger.domain.calendar import Calendar, Slotted
from drainledger.domain.changes import NodeChange, WindowChange
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import Interval, Window
from drainledger.domain.nodes import Node
from drainledger.domain.order import Order
from drainledger.domain.records import Event
from drainledger.domain.windows import charted

#: From when to when, None while it goes on.
Period: TypeAlias = tuple[datetime, "datetime | None"]
#: Events that begin or end a clamp: with the tube goes its clamp.
_CLAMPING = ("clamped", "unclamped", "removed")
#: Name and local day: what a window is known by outside, whatever its bounds.
_WindowKey: TypeAlias = tuple[str, str]


class Frame(NamedTuple):
    """What windows depend on besides intervals and clamps. `as_of` is the instant as of which they are open or closed;
    `removed` closes them all; while `joined`, a tube alone has none."""

    zone: ZoneInfo
    rules: Rules
    as_of: datetime | None
    removed: bool
    joined: Sequence[Period]


class WindowBook:
    """The windows of one drain over its `nodes` (and their `orders`), which the owner keeps."""

    def __init__(self, drain_id: str, nodes: Sequence[Node], orders: Sequence[Order]) -> None:
        self._drain_id = drain_id
        self._nodes = nodes
        self._orders = orders
        self._windows: dict[_WindowKey, Window] = {}
        #: Those that no record in order can touch any more. One over unverified values is closed and still preliminary.
        self._closed: set[_WindowKey] = set()
        #: The windows by their ends, so that a refold need not look at all of a long history.
        self._ends: list[tuple[datetime, _WindowKey]] = []
        self._calendar: Calendar | None = None
        self._joined: Sequence[Period] = ()
        self._as_of: datetime | None = None
        #: Closed windows that end by then, grace included, are let go of and never come back.
        self._settled_until: datetime | None = None

    def all(self) -> tuple[Window, ...]:
        return tuple(sorted(self._windows.values(), key=lambda w: (w.start, w.end, w.name)))

    def needed_since(self, until: datetime) -> list[datetime]:
        """The starts of the windows that something from `until` on may still be charged to."""
        return [window.start for key, window in self._windows.items() if not self._is_done(key, until)]

    def drop(self) -> list[WindowChange]:
        """Without the drain's own record there are no windows."""
        dropped = [WindowChange(self._drain_id, window, None) for window in self._windows.values()]
        self._windows = {}
        self._closed = set()
        self._ends = []
        return dropped

    def settle(self, until: datetime) -> list[Window]:
        """Lets go of the closed windows that nothing from `until` on can be charged to."""
        self._settled_until = until
        done = [key for key in self._windows if self._is_done(key, until)]
        return [self._pop(key) for key in done]

    def _is_done(self, key: _WindowKey, until: datetime) -> bool:
        grace = self._calendar.grace if self._calendar is not None else timedelta(0)
        return key in self._closed and self._windows[key].end + grace <= until

    def update(self, changes: Sequence[NodeChange], frame: Frame) -> list[WindowChange]:
        """Reckons again the windows that the changes touch, and those that the drain's latest record lies in."""
        known = self._calendar
        calendar = self._calendar_of(frame)
        affected: dict[_WindowKey, Slotted] = {}
        for change in changes:
            self._affect(change, calendar, affected)
        if frame.joined != self._joined or calendar is not known:
            self._joined = frame.joined
            affected |= self._every_slot(calendar)
        for key in self._may_be_open(frame):
            affected.setdefault(key, _slot_of(self._windows[key]))
        self._as_of = frame.as_of
        found = []
        for key, slot in affected.items():
            old = self._windows.get(key)
            if old is None and self._is_let_go(slot, calendar):
                continue
            closed = _is_closed(slot, calendar, frame)
            new = self._window(slot, calendar, frame, closed)
            if new is None or not closed:
                self._closed.discard(key)
            else:
                self._closed.add(key)
            if old == new:
                continue
            if old is not None:
                self._pop(key)
            if new is not None:
                self._windows[key] = new
                insort(self._ends, (new.end, key))
            found.append(WindowChange(self._drain_id, old, new))
        return found

    def _pop(self, key: _WindowKey) -> Window:
        window = self._windows.pop(key)
        del self._ends[bisect_left(self._ends, (window.end, key))]
        return window

    def _may_be_open(self, frame: Frame) -> list[_WindowKey]:
        """The windows that the drain's latest record, as it was or as it is, leaves open. Removal closes them all the
        same, but may be withdrawn, and a clamp reaches on."""
        known = [at for at in (self._as_of, frame.as_of) if at is not None]
        first = bisect_right(self._ends, min(known) - frame.rules.grace, key=_end) if known else 0
        return [key for _, key in self._ends[first:]]

    def _is_let_go(self, slot: Slotted, calendar: Calendar) -> bool:
        return self._settled_until is not None and slot.end + calendar.grace <= self._settled_until

    def _every_slot(self, calendar: Calendar) -> dict[_WindowKey, Slotted]:
        """The slots of all windows that there are or could be."""
        entries = (node.entry for node in self._nodes if node.entry is not None)
        slots = [
            s for e in entries if (i := e.interval) is not None for s in calendar.charged(i.start, i.end)
        ]
        known = [_slot_of(window) for window in self._windows.values()]
        return {(slot.name, slot.day): slot for slot in [*known, *slots]}

    def _calendar_of(self, frame: Frame) -> Calendar:
        known = self._calendar
        wanted = (frame.zone, frame.rules.windows, frame.rules.grace)
        if known is None or (known.zone, known.specs, known.grace) != wanted:
            known = self._calendar = Calendar(*wanted)
        return known

    def _affect(self, change: NodeChange, calendar: Calendar, affected: dict[_WindowKey, Slotted]) -> None:
        old = change.old.interval if change.old is not None else None
        new = change.new.interval if change.new is not None else None
        if old != new:
            for interval in (old, new):
                if interval is not None:
                    for slot in calendar.charged(interval.start, interval.end):
                        affected[(slot.name, slot.day)] = slot
        entries = [entry for entry in (change.old, change.new) if entry is not None]
        if any(isinstance(e.record, Event) and e.record.kind in _CLAMPING for e in entries):
            # A clamp may reach into every later window.
            at = min(entry.at for entry in entries)
            affected |= {key: _slot_of(window) for key, window in self._windows.items() if window.end > at}

    def _window(self, slot: Slotted, calendar: Calendar, frame: Frame, closed: bool) -> Window | None:
        """Final once it is closed and all that it adds up is verified."""
        intervals = self._charged_to(slot, calendar)
        joined = any(
            since <= slot.start and (until is None or until >= slot.end) for since, until in frame.joined
        )
        if not intervals or joined:
            return None
        verified = not any(interval.preliminary for interval in intervals)
        clamps = self._clamps(slot, frame.as_of or slot.end)
        return charted(
            self._drain_id, slot, intervals, clamps, "final" if closed and verified else "preliminary"
        )

    def _charged_to(self, slot: Slotted, calendar: Calendar) -> list[Interval]:
        first = bisect_left(self._orders, slot.start, key=_at)
        last = bisect_right(self._orders, slot.end + calendar.grace, key=_at)
        found = (node.entry.interval for node in self._nodes[first:last] if node.entry is not None)
        return [i for i in found if i is not None and slot in calendar.charged(i.start, i.end)]

    def _clamps(self, slot: Slotted, as_of: datetime) -> list[tuple[datetime, datetime]]:
        first = bisect_right(self._orders, slot.start, key=_at)
        last = bisect_right(self._orders, slot.end, key=_at)
        spans: dict[datetime, datetime] = {}
        for node in self._nodes[max(first - 1, 0) : last]:
            clamp = node.after.bedside.clamp if node.after is not None else None
            if clamp is not None:
                spans[clamp.since] = clamp.until if clamp.until is not None else min(as_of, slot.end)
        return list(spans.items())


def _is_closed(slot: Slotted, calendar: Calendar, frame: Frame) -> bool:
    return frame.removed or (frame.as_of is not None and frame.as_of >= slot.end + calendar.grace)


def _end(entry: tuple[datetime, _WindowKey]) -> datetime:
    return entry[0]


def _at(order: Order) -> datetime:
    return order.at


def _slot_of(window: Window) -> Slotted:
    return Slotted(window.name, window.day, window.start, window.end)
