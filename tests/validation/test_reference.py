"""The README's reference of records says what is taken: its tables against the program, its examples read by it.

What is known is asked of the program the way that a sender would: by sending something wrong and reading the answer.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import pytest

from drainledger.domain.validation import Parsed, drain, event, read, reading
from drainledger.domain.validation import collector as unit
from drainledger.domain.validation.amendment import CORRECTION, RETRACTION
from drainledger.domain.validation.event import RULES
from tests.house.repository import ROOT
from tests.journals.books import SOURCE, line, mappings

README = (ROOT / "README.md").read_text(encoding="utf-8")
Json = dict[str, Any]

_WHEN = {"at": "2026-03-02T07:00:00+00:00"}
BARE: Mapping[str, Json] = {
    "drain": {
        "patient": {"system": "https://ward.example/mrn", "value": "P-1"},
        "time_zone": "Europe/Lisbon",
    },
    "collector": {"profile": "adult-single"},
    "event": {"kind": "clamped", "drain": "drn-1", **_WHEN},
    "reading": {"drain": "drn-1", "level": {"value": 1, "unit": "mL"}, **_WHEN},
}
FIELDS = {
    "drain": drain.SHAPE,
    "collector": unit.SHAPE,
    "event": event.SHAPE,
    "reading": reading.SHAPE,
    "correction": CORRECTION,
    "retraction": RETRACTION,
}
NESTED = {
    "collector": ["udi"],
    "event": ["observer"],
    "reading": ["suction", "air_leak", "air_leak.test", "tidaling", "observer"],
}


class Row(NamedTuple):
    """Of a record of `kind`: a field, the fields in it, the words that it takes."""

    kind: str
    field: str
    inside: tuple[str, ...]
    words: tuple[str, ...]


def ticked(cell: str) -> tuple[str, ...]:
    return tuple(re.findall(r"`([^`]+)`", cell))


def cells(head: str) -> list[list[str]]:
    """The rows of the README's table with this head."""
    body = README[README.index(head) :].split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in body]


ROWS = [
    Row(ticked(kind)[0], ticked(field)[0], ticked(inside), ticked(words))
    for kind, field, inside, words in cells("| of | field | fields in it | words |")
]


def problems(kind: str, field: str, sent: object) -> list[Json]:
    """What is said of a record of `kind` that has `sent` in `field`, which may be inside others ("a.b")."""
    raw = {"record": kind, "id": "x-1", **BARE[kind]}
    inner: object = sent
    for name in reversed(field.split(".")):
        inner = {name: inner}
    assert isinstance(inner, dict)
    outcome = read(line(raw | inner), source=SOURCE, units=mappings().units, received_at=None)
    pointer = "/" + field.replace(".", "/")
    found = () if isinstance(outcome, Parsed) else outcome.problems
    return [{"code": one.code, "text": one.text} for one in found if one.pointer.startswith(pointer)]


def words_taken(kind: str, field: str) -> set[str]:
    """The words that the program says are known there; none where it takes no words."""
    sent: object = ["no-such-word"] if field == "appearance" else "no-such-word"
    for problem in problems(kind, field, sent):
        if problem["code"] == "unknown-word":
            return set(problem["text"].partition("Known are: ")[2].rstrip(".").split(", "))
    return set()


def fields_inside(kind: str, field: str) -> set[str]:
    """The fields that the program says belong there; none where it takes no object of its own."""
    for problem in problems(kind, field, 5):
        if found := re.search(r"should be an object with (.+?), but", problem["text"]):
            return set(found[1].split(", "))
    return set()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.kind}.{row.field}")
def test_a_row_says_what_the_program_says(row: Row) -> None:
    assert words_taken(row.kind, row.field) == set(row.words)
    if row.field != "tidaling":  # a word too, so that what is no object is told the words
        assert fields_inside(row.kind, row.field) == set(row.inside)


def named() -> Iterator[tuple[str, str]]:
    """Every field of every kind, those inside others too."""
    for kind in BARE:
        yield from ((kind, field) for field in FIELDS[kind] if field not in ("record", "id", "kind"))
        yield from (
            (kind, f"{outer}.{field}")
            for outer in NESTED.get(kind, [])
            for field in {"tidaling": {"state", "swing"}}.get(outer) or fields_inside(kind, outer)
        )
    yield "drain", "kind"


def test_no_field_with_words_of_its_own_is_missing() -> None:
    takes_words = {(kind, field) for kind, field in named() if words_taken(kind, field)}
    assert takes_words == {(row.kind, row.field) for row in ROWS if row.words}


def test_every_field_is_named() -> None:
    section = README[README.index("## What goes in") : README.index("## What a site edits")]
    assert {field for fields in FIELDS.values() for field in fields if f"`{field}`" not in section} == {
        "record"
    }


def test_the_table_of_events_is_that_of_the_program() -> None:
    table = {
        ticked(kind)[0]: (ticked(needs), ticked(may)) for kind, needs, may, _ in cells("| `kind` | needs")
    }
    assert table == {
        kind: (rule.needs, tuple(name for name in rule.takes if name not in rule.needs))
        for kind, rule in RULES.items()
    }


def test_the_examples_are_taken() -> None:
    lines = [
        one
        for block in re.findall(r"^```json\n(.*?)^```$", README, re.M | re.S)
        for one in block.splitlines()
    ]
    assert {json.loads(one)["record"] for one in lines} == {"reading", "event", "correction", "retraction"}
    for one in lines:
        outcome = read(one.encode(), source=SOURCE, units=mappings().units, received_at=None)
        assert isinstance(outcome, Parsed), outcome
        assert outcome.ignored == ()
