"""What is sent: generated journals, each with drains, units and patients of its own, in batches of random size."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any, NamedTuple

from tests.journals.books import line
from tests.journals.raw import Raw
from tests.journals.seeded import journal

#: What names a record or a thing; all of a journal's names get its prefix.
_NAMES = ("id", "drain", "collector", "corrects", "retracts")

Name = tuple[str, str]
"""Kind and id of a record: no two of the stream's have the same."""


class Sent(NamedTuple):
    """One record as it goes over the wire."""

    name: Name
    line: bytes


class Batch(NamedTuple):
    """The body of one request, as records."""

    records: tuple[Sent, ...]

    @property
    def body(self) -> bytes:
        return b"\n".join(record.line for record in self.records)

    @property
    def names(self) -> list[Name]:
        return [record.name for record in self.records]


def records(seed: int, size: int) -> list[Sent]:
    """A journal of about `size` records in the order of arrival. Its days are those of an earlier year, so that none
    is in the future by the clock of the machine on which this runs."""
    prefix = f"j{seed}-"
    made: list[Sent] = []
    for raw in journal(seed, size):
        own = _renamed(raw, prefix)
        made.append(Sent((own["record"], own["id"]), line(own).replace(b'"2026-', b'"2024-')))
    return made


def _renamed(raw: Raw, prefix: str) -> Raw:
    own: Raw = {}
    for name, value in raw.items():
        own[name] = _renamed_value(name, value, prefix)
    return own


def _renamed_value(name: str, value: Any, prefix: str) -> Any:
    if name in _NAMES:
        return prefix + value
    if name == "joins":
        return [prefix + drain for drain in value]
    if name == "patient":
        return {**value, "value": prefix + value["value"]}
    return _renamed(value, prefix) if isinstance(value, dict) and name in ("reading", "event") else value


def batches(rng: random.Random, sent: Sequence[Sent], largest: int) -> list[Batch]:
    """The records in their order, cut at random."""
    cut: list[Batch] = []
    start = 0
    while start < len(sent):
        end = start + rng.randint(1, largest)
        cut.append(Batch(tuple(sent[start:end])))
        start = end
    return cut


def mixed(rng: random.Random, streams: Sequence[Sequence[Sent]], largest: int = 8) -> list[Batch]:
    """Several journals as batches, mixed at random; each journal's own batches stay in order."""
    cut = [batches(rng, stream, largest) for stream in streams]
    order = [number for number, own in enumerate(cut) for _ in own]
    rng.shuffle(order)
    waiting = [iter(own) for own in cut]
    return [next(waiting[number]) for number in order]
