"""What travels through the parsing of one record: the place, what is wrong so far, what earlier records taught."""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable
from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any, Final, TypeVar

from drainledger.domain.problems import Problem
from drainledger.domain.quantities import Units
from drainledger.domain.validation.pointer import token
from drainledger.domain.validation.texts import closest, problem

#: How far a sender's clock may run ahead of the receiver's (DESIGN 3 'Times').
CLOCK_SKEW: Final = timedelta(minutes=10)
#: More problems than this help nobody; a hostile record could otherwise make a hundred thousand.
MOST_PROBLEMS: Final = 50
_REMEMBERED: Final = 4096

_K = TypeVar("_K", bound=Hashable)
_V = TypeVar("_V")


def remember(known: dict[_K, _V], key: _K, value: _V) -> None:
    """Keep `value` for the next record that says the same; a full memory starts afresh."""
    if len(known) >= _REMEMBERED:
        known.clear()
    known[key] = value


class Converter:
    """Converts one dimension, and remembers pairs of value and unit: a ward repeats few of them."""

    __slots__ = ("convert", "known")

    def __init__(self, convert: Callable[[Decimal, str], Decimal]) -> None:
        self.convert = convert
        self.known: dict[tuple[Any, Any], Decimal] = {}


class Memory:
    """Pure results kept for speed. Emptying it at any moment changes no outcome."""

    __slots__ = ("flow", "instants", "mass", "objects", "pressure", "volume")

    def __init__(self, units: Units) -> None:
        self.volume = Converter(units.volume)
        self.pressure = Converter(units.pressure)
        self.flow = Converter(units.flow)
        self.mass = Converter(units.mass)
        self.instants: dict[str, datetime] = {}
        self.objects: dict[tuple[str, bytes], Any] = {}


@lru_cache(maxsize=8)
def memory_of(units: Units) -> Memory:
    return Memory(units)


class Context:
    """One record's parsing. `base` is the pointer of the object being read; `path`s are relative to it."""

    __slots__ = ("base", "ignored", "latest", "memory", "problems", "source", "subject")

    def __init__(self, units: Units, source: str, received_at: datetime | None) -> None:
        self.memory = memory_of(units)
        self.source = source
        self.latest = None if received_at is None else received_at + CLOCK_SKEW
        self.base = ""
        self.subject = "record"
        self.problems: list[Problem] = []
        self.ignored: list[Problem] = []

    def hold(self, code: str, path: str, **details: object) -> None:
        """Note a reason to hold the record."""
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(problem(code, self.base + path, subject=self.subject, **details))

    def ignore(self, path: str, name: str, known: Collection[str]) -> None:
        """Note that the field `name` in the object at `path` is kept raw and not used; `known` are those that are."""
        if len(self.ignored) < MOST_PROBLEMS:
            pointer = f"{self.base}{path}/{token(name)}"
            near = closest(name, tuple(known))
            self.ignored.append(problem("ignored-field", pointer, subject=self.subject, closest=near))
