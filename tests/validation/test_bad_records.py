"""Every kind of bad record is held, with a pointer, a stable code and a sentence (DESIGN 3 'Answer')."""

from __future__ import annotations

import pytest

from drainledger.domain.problems import CATALOGUE
from drainledger.domain.validation.texts import TEXTS
from tests.validation.cases import CASES, Case
from tests.validation.samples import event, millilitres, outcome, parsed, reading, refused


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_bad_record_is_held_for_that_one_reason(case: Case) -> None:
    held = refused(case.record)
    assert [(problem.code, problem.pointer) for problem in held.problems] == [(case.code, case.pointer)]
    assert case.says in held.problems[0].text


def test_the_table_is_long_enough_and_names_each_kind_once() -> None:
    names = [case.name for case in CASES]
    assert len(names) == len(set(names)) >= 40


def test_every_code_of_the_catalogue_is_produced() -> None:
    produced = {problem.code for case in CASES for problem in refused(case.record).problems}
    produced |= {problem.code for problem in parsed(reading(bed=4)).ignored}
    assert produced == set(CATALOGUE) == set(TEXTS)


def test_all_problems_are_told_at_once() -> None:
    held = refused(reading(at="7 am", level={"value": "40", "unit": "gal-ish"}, tidaling="yes", bed=4))
    assert [(problem.code, problem.pointer) for problem in held.problems] == [
        ("bad-time", "/at"),
        ("wrong-type", "/level/value"),
        ("unknown-word", "/tidaling"),
    ]
    assert [problem.pointer for problem in held.ignored] == ["/bed"]


def test_a_hostile_record_makes_no_endless_answer() -> None:
    record = reading(**{f"field{n}": n for n in range(5000)}, appearance=[0] * 18)
    held = refused(record)
    assert len(held.problems) == 18
    assert len(held.ignored) == 50


@pytest.mark.parametrize(
    ("record", "expected"),
    [
        (reading(level=40), ("r-1", "reading", "drn-7")),
        (event("weighed"), ("ev-1", "event", "drn-7")),
        (reading(record="redaing"), ("r-1", None, "drn-7")),
        (reading(id=5, drain="drn-7 "), (None, "reading", None)),
        (b'{"record":"drain","id":"drn-7"}', ("drn-7", "drain", "drn-7")),
        (
            b'{"record":"correction","id":"c","corrects":"r","reading":{"drain":"drn-7"}}',
            ("c", "correction", "drn-7"),
        ),
        (b'{"record":"correction","id":"c","corrects":"drn-7","drain":{}}', ("c", "correction", "drn-7")),
        (b'{"record":"reading","id":"r","drain":"drn-7","at":1,"at":2}', ("r", "reading", "drn-7")),
        (b'{"record":"retraction","id":"x"}', ("x", "retraction", None)),
        (b"[]", (None, None, None)),
    ],
)
def test_a_held_record_says_what_it_is_about(
    record: bytes, expected: tuple[str | None, str | None, str | None]
) -> None:
    held = refused(record)
    assert (held.id, held.kind, held.drain) == expected


def test_without_a_time_of_receipt_no_time_is_in_the_future() -> None:
    later = reading(at="2031-03-02T13:00:00Z", level=millilitres(4))
    assert outcome(later, received_at=None) != outcome(later)
    assert refused(later).problems[0].code == "future-time"
