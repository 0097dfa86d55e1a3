"""Nothing that can be sent makes validation raise, and what it remembers changes no answer."""

from __future__ import annotations

import copy
import json
from decimal import Decimal
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as st

from drainledger.domain.quantities import Units
from drainledger.domain.validation import Outcome, Parsed, Refused, decode, parse, read
from drainledger.domain.validation.amendment import CORRECTION, RETRACTION
from drainledger.domain.validation.collector import SHAPE as COLLECTOR
from drainledger.domain.validation.drain import SHAPE as DRAIN
from drainledger.domain.validation.event import RULES
from drainledger.domain.validation.event import SHAPE as EVENT
from drainledger.domain.validation.reading import SHAPE as READING
from tests.validation.cases import CASES
from tests.validation.samples import (
    RECEIVED_AT,
    SOURCE,
    UNITS,
    as_bytes,
    centimetres,
    collector,
    correction,
    drain,
    event,
    millilitres,
    reading,
    retraction,
)

GOOD = [
    reading(
        suction={"mode": "suction", "applied": centimetres(-20)},
        air_leak={"grade": 2, "test": {"pinched": "x", "bubbling": "stops"}},
        tidaling={"state": "present", "swing": centimetres(3)},
        appearance=["serous"],
        observer={"kind": "device", "value": "D"},
    ),
    reading(level=None, volume=millilitres(3), from_="2026-03-02T06:00:00Z"),
    event("tipped", drain=None, collector="col-3", levels={"A": {"level_before": millilitres(3)}}),
    event("suction-prescribed", mode="suction", pressure=centimetres(-20)),
    drain(joins=["drn-1", "drn-2"], reads_every="PT1H", weight={"value": 3, "unit": "kg"}),
    collector(udi={"aidc": "x"}, expires_on="2028"),
    correction(reading=reading()),
    retraction(kind="reading"),
]
NAMES = sorted(
    {*DRAIN, *COLLECTOR, *EVENT, *READING, *CORRECTION, *RETRACTION, "value", "unit", "system", "grade"}
)
WORDS = [
    *RULES,
    "reading",
    "event",
    "suction",
    "present",
    "level",
    "mL",
    "cm[H2O]",
    "PT1H",
    "2026-03-02T07:00:00Z",
    "",
]

numbers = st.integers() | st.decimals() | st.just(Decimal("sNaN"))
scalars = st.none() | st.booleans() | numbers | st.sampled_from(WORDS) | st.text()
names = st.sampled_from(NAMES) | st.text()
anything = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(names, inner, max_size=5),
    max_leaves=20,
)


def parse_with(units: Units, raw: object) -> Outcome:
    return parse(raw, source=SOURCE, units=units, received_at=RECEIVED_AT)


def is_an_answer(outcome: Outcome) -> bool:
    return isinstance(outcome, Parsed) or len(outcome.problems) > 0


@given(raw=anything)
@example(raw={"record": "reading", "level": {"value": Decimal("sNaN"), "unit": "mL"}})
@example(raw={"record": "reading", "suction": {"set": {"value": Decimal("NaN"), "unit": "mL"}}})
def test_any_value_is_answered(raw: object) -> None:
    assert is_an_answer(parse_with(UNITS, raw))


@given(
    kind=st.sampled_from(["drain", "collector", "event", "reading", "correction", "retraction"]),
    fields=st.dictionaries(names, anything, max_size=8),
    event_kind=st.sampled_from(list(RULES)),
)
def test_any_fields_of_any_kind_are_answered(kind: str, fields: dict[str, Any], event_kind: str) -> None:
    assert is_an_answer(parse_with(UNITS, {"kind": event_kind, **fields, "record": kind, "id": "x"}))


@given(base=st.sampled_from(GOOD), data=st.data())
def test_a_good_record_spoilt_anywhere_is_answered(base: dict[str, Any], data: st.DataObject) -> None:
    record = copy.deepcopy(base)
    place: Any = record
    while True:
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = data.draw(st.sampled_from(keys))
        if not isinstance(place[key], dict | list) or not place[key] or data.draw(st.booleans()):
            break
        place = place[key]
    place[key] = data.draw(anything)
    assert is_an_answer(parse_with(UNITS, record))


@given(
    line=st.binary()
    | st.text().map(str.encode)
    | st.binary().map(lambda tail: b'{"record":"reading",' + tail)
)
def test_any_bytes_are_answered(line: bytes) -> None:
    assert is_an_answer(read(line, source=SOURCE, units=UNITS, received_at=None))


@given(
    records=st.lists(st.sampled_from(GOOD) | st.sampled_from([case.record for case in CASES]), max_size=12)
)
def test_what_was_seen_before_changes_no_answer(records: list[dict[str, Any] | bytes]) -> None:
    warm = Units({"cc": "mL"}, {"oz": "write foz_us or foz_br."})
    for record in records * 2:
        line = as_bytes(record)
        fresh = Units({"cc": "mL"}, {"oz": "write foz_us or foz_br."})
        assert read(line, source=SOURCE, units=warm, received_at=RECEIVED_AT) == read(
            line, source=SOURCE, units=fresh, received_at=RECEIVED_AT
        )


@given(first=numbers, second=numbers)
def test_equal_numbers_of_other_types_are_not_taken_for_each_other(first: object, second: object) -> None:
    for value in (first, second, True, 1.0):
        outcome = parse_with(UNITS, reading(level=millilitres(value)))
        assert isinstance(outcome, Refused) or type(value) in (int, Decimal)


# Duplicate keys: the quick count in `decode` against the standard library's reader, over JSON text of every spelling.

spaces = st.sampled_from(["", " ", "\t", "\n ", "\r"])
characters = st.sampled_from(
    [
        "a",
        "b",
        ":",
        " ",
        "é",
        '\\"',
        "\\\\",
        "\\/",
        "\\n",
        "\\u0022",
        "\\u003a",
        "\\u0061",
        "\\u005c",
        "{",
        "[",
        ",",
    ]
)
strings = st.lists(characters, max_size=4).map(lambda marks: '"' + "".join(marks) + '"')


def _object(pairs: list[tuple[tuple[str, str], tuple[str, str]]]) -> str:
    return "{" + ",".join(f"{key}{before}:{after}{value}" for (key, before), (after, value) in pairs) + "}"


texts = st.recursive(
    strings | st.sampled_from(["1", "-2.50", "1e3", "true", "null"]),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: "[" + ",".join(items) + "]")
        | st.lists(st.tuples(st.tuples(strings, spaces), st.tuples(spaces, inner)), max_size=4).map(_object)
    ),
    max_leaves=12,
)


@given(pairs=st.lists(st.tuples(st.tuples(strings, spaces), st.tuples(spaces, texts)), max_size=4))
def test_a_name_twice_is_found_whatever_the_spelling(
    pairs: list[tuple[tuple[str, str], tuple[str, str]]],
) -> None:
    text = _object(pairs)
    repeated = False

    def note_repeats(found: list[tuple[str, object]]) -> dict[str, object]:
        nonlocal repeated
        repeated = repeated or len(dict(found)) < len(found)
        return dict(found)

    expected = json.loads(text, object_pairs_hook=note_repeats, parse_float=Decimal)
    decoded = decode(text.encode())
    if repeated:
        assert isinstance(decoded, Refused)
        assert [problem.code for problem in decoded.problems] == ["duplicate-key"]
    else:
        assert decoded == expected
