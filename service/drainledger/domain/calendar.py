"""Charted windows on the wall clock: which window an instant falls in, across clock changes (IANA zones)."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from drainledger.domain.collectors import WindowSpec

_DAY = timedelta(days=1)
#: Intervals are asked for again by each window that they may belong to; about this many are remembered.
_REMEMBERED = 256


class Slotted(NamedTuple):
    """One occurrence of a window: (start, end] in UTC; `day` is the local date on which it starts."""

    name: str
    day: str
    start: datetime
    end: datetime


class Calendar:
    """The windows of one zone. Bounds are looked up once a day and spec."""

    def __init__(self, zone: ZoneInfo, specs: tuple[WindowSpec, ...], grace: timedelta) -> None:
        self.zone = zone
        self.specs = specs
        self.grace = grace
        self._known: dict[tuple[str, int], Slotted] = {}
        self._charged: dict[tuple[datetime | None, datetime], list[Slotted]] = {}

    def slot(self, spec: WindowSpec, day: date) -> Slotted:
        """The occurrence of `spec` that starts on the local date `day`."""
        key = (spec.name, day.toordinal())
        found = self._known.get(key)
        if found is None:
            ends = day if spec.end > spec.start else day + _DAY
            found = Slotted(
                spec.name,
                day.isoformat(),
                datetime.combine(day, spec.start, tzinfo=self.zone).astimezone(UTC),
                datetime.combine(ends, spec.end, tzinfo=self.zone).astimezone(UTC),
            )
            self._known[key] = found
        return found

    def holding(self, spec: WindowSpec, at: datetime) -> Slotted | None:
        """The occurrence with start < at <= end, None between two shifts that leave a gap."""
        day = at.astimezone(self.zone).date()
        for candidate in (day, day - _DAY):
            slot = self.slot(spec, candidate)
            if slot.start < at <= slot.end:
                return slot
        return None

    def charged(self, start: datetime | None, end: datetime) -> list[Slotted]:
        """The windows that an interval (start, end] is charged to, one for each spec at most.

        As on paper, by its end; but one that ends within the grace after a boundary, most of it before, belongs to
        the earlier window: the handover reading is never on the minute.
        """
        known = self._charged.get((start, end))
        if known is None:
            if len(self._charged) >= _REMEMBERED:
                self._charged.clear()
            known = self._charged[(start, end)] = self._charge(start, end)
        return known

    def _charge(self, start: datetime | None, end: datetime) -> list[Slotted]:
        found = []
        for spec in self.specs:
            slot = self.holding(spec, end)
            boundary = slot.start if slot is not None else self._last_end(spec, end)
            if boundary is not None and start is not None and self._overhangs(start, boundary, end):
                slot = self.holding(spec, boundary)  # None between two shifts: another spec's window has it
            if slot is not None:
                found.append(slot)
        return found

    def _overhangs(self, start: datetime, boundary: datetime, end: datetime) -> bool:
        return end - boundary <= self.grace and boundary - start > end - boundary

    def _last_end(self, spec: WindowSpec, at: datetime) -> datetime | None:
        day = at.astimezone(self.zone).date()
        ends = [self.slot(spec, candidate).end for candidate in (day, day - _DAY)]
        return max((end for end in ends if end < at), default=None)
