"""What was wrong with which line: one JSON object a line, for people and programs alike (DESIGN 6)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import BinaryIO, Literal

import msgspec

from drainledger.domain.problems import Problem
from drainledger.domain.records import Key
from drainledger.domain.validation import Refused

#: `held`, `conflict` and `late-record` leave the record out of the result; the other two do not.
Status = Literal["held", "conflict", "late-record", "waiting", "ignored-field"]
#: Statuses of a record that is not in the result and has to be put right by somebody.
HELD: frozenset[Status] = frozenset({"held", "conflict", "late-record"})


class Reported(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the report. `id` and `record` (its kind) are None where they can't be made out."""

    line: int
    id: str | None
    record: str | None
    status: Status
    problems: tuple[Problem, ...]


class Report:
    """Passes on what is told to it and counts it by status."""

    def __init__(self, sink: Callable[[Reported], None]) -> None:
        self.counts: Counter[Status] = Counter()
        self._sink = sink

    @property
    def held(self) -> int:
        """How many records are not in the result."""
        return sum(self.counts[status] for status in HELD)

    def refused(self, line: int, refused: Refused) -> None:
        problems = refused.problems + refused.ignored
        self.tell(Reported(line=line, id=refused.id, record=refused.kind, status="held", problems=problems))

    def told(self, line: int, key: Key, status: Status, problems: Sequence[Problem]) -> None:
        self.tell(Reported(line=line, id=key.id, record=key.kind, status=status, problems=tuple(problems)))

    def tell(self, reported: Reported) -> None:
        self.counts[reported.status] += 1
        self._sink(reported)


def ndjson(stream: BinaryIO) -> Callable[[Reported], None]:
    """A sink that writes one JSON object a line, at once."""

    def write(reported: Reported) -> None:
        stream.write(msgspec.json.encode(reported) + b"\n")
        stream.flush()

    return write


def late_record(pointer: str) -> Problem:
    """Only with --assume-ordered: what the record would change is already written. `pointer` is to its time, or to the
    record that it speaks of."""
    return Problem("late-record", pointer, _LATE.get(pointer, _LATE["/at"]))


_SORT_IT = " Sort the file by time, or convert it without --assume-ordered."
_LATE = {
    "/at": "This record is more than 12 hours older than one before it, and --assume-ordered writes out as it reads."
    + _SORT_IT,
    "/id": "Records that name this drain or unit came before and are already written out." + _SORT_IT,
    "/corrects": "What this corrects has not come, or is more than 12 hours older than another record and may be "
    "written out." + _SORT_IT,
    "/retracts": "What this retracts has not come, or is more than 12 hours older than another record and may be "
    "written out." + _SORT_IT,
}
