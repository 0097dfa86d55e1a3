"""What validation makes of one record: a record in normal form, or the reasons why it is held."""

from __future__ import annotations

from typing import TypeAlias

from msgspec import Struct

from drainledger.domain.problems import Problem
from drainledger.domain.records import Record


class Parsed(Struct, frozen=True):
    """A record in normal form. `ignored` tells the fields that the contract does not know."""

    record: Record
    ignored: tuple[Problem, ...] = ()


class Refused(Struct, frozen=True):
    """A record to hold. `id`, `kind` and `drain` (the drain that it names) are None where they can't be made out.

    `problems` holds at least one. `ignored` often explains them: a misspelt `levl` is why a level is missing.
    """

    id: str | None
    kind: str | None
    drain: str | None
    problems: tuple[Problem, ...]
    ignored: tuple[Problem, ...] = ()


Outcome: TypeAlias = Parsed | Refused
