"""One line of a submission on its way into the journal."""

from __future__ import annotations

from msgspec import Struct

from drainledger.domain.problems import Problem
from drainledger.domain.records import Record
from drainledger.domain.validation import Refused
from drainledger.intake.answers import HeldAs, Status


class Taken(Struct):
    """What it is, and what has become of it so far. `held_as` is the state of the held record that it is or was."""

    raw: bytes
    outcome: Record | Refused
    problems: tuple[Problem, ...] = ()
    status: Status = "accepted"
    held_id: str | None = None
    held_as: HeldAs | None = None
    #: The first record that a replay made of the same bytes.
    became: Record | None = None
