"""Lines into records: decode, validate, report what is held (DESIGN 3)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime

from msgspec import Struct

from drainledger.convert.report import Report
from drainledger.domain.quantities import Units
from drainledger.domain.records import Record
from drainledger.domain.validation import Parsed, Refused, decode, parse

#: Longer lines are held as too big; nothing longer is ever in memory whole (DESIGN 10 'size limits').
LINE_LIMIT = 1 << 20


class Accepted(Struct, frozen=True):
    """A record in normal form with its line: the number and the bytes."""

    line: int
    record: Record
    raw: bytes


class Intake:
    """Reads lines of one source. `held` counts, by the drain that they name, the records that were refused."""

    def __init__(self, source: str, units: Units, received_at: datetime, report: Report) -> None:
        self.held: Counter[str] = Counter()
        self._source = source
        self._units = units
        self._received_at = received_at
        self._report = report

    def accepted(self, lines: Iterable[tuple[int, bytes]]) -> Iterator[Accepted]:
        """The records that are not held, in the order of their lines."""
        for number, raw in lines:
            outcome = self.judge(raw)
            if isinstance(outcome, Refused):
                self._hold(number, outcome)
                continue
            if outcome.ignored:
                self._report.told(number, outcome.record.key, "ignored-field", outcome.ignored)
            yield Accepted(number, outcome.record, raw)

    def judge(self, raw: bytes) -> Parsed | Refused:
        decoded = decode(raw)
        if isinstance(decoded, Refused):
            return decoded
        return parse(decoded, source=self._source, units=self._units, received_at=self._received_at)

    def again(self, raw: bytes) -> Record:
        """The record of a line that was accepted before."""
        outcome = self.judge(raw)
        assert isinstance(outcome, Parsed), "a line that was accepted once is accepted again"
        return outcome.record

    def _hold(self, number: int, refused: Refused) -> None:
        self._report.refused(number, refused)
        if refused.drain is not None:
            self.held[refused.drain] += 1
