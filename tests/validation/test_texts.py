"""The sentences: pinned for a nurse, silent about patients, and none asks to fit what was seen to a rule."""

from __future__ import annotations

import re
from typing import Any

import pytest

from drainledger.domain.problems import CATALOGUE, Problem
from drainledger.domain.validation.pointer import place
from drainledger.domain.validation.texts import TEXTS, closest, shown
from tests.validation.cases import CASES
from tests.validation.samples import GONE, centimetres, event, millilitres, parsed, reading, refused

PINNED = [
    (
        reading(level=40),
        (
            "The level has no unit, and a number alone could mean several amounts. "
            "Send the value with its unit, as it stands on the scale that was read."
        ),
    ),
    (
        reading(at="2026-03-02T13:00:00Z"),
        (
            "The time (at) lies more than 10 minutes after the record was received. Check the date, the hour and the "
            "clock of the device; chart the time at which it was done or seen."
        ),
    ),
    (
        reading(level={"value": 40, "unit": "cupful"}),
        (
            'The unit of the level is "cupful", which is no known unit. Send a UCUM unit (such as mL or cm[H2O]), '
            "or add this spelling to the units mapping."
        ),
    ),
    (
        reading(at="2026-02-30T07:00:00Z"),
        "The time (at) does not exist: 2026-02 has no day 30. Chart the time at which it was done or seen.",
    ),
    (
        reading(level=GONE, volume=millilitres(-30)),
        (
            "The volume is -30 mL, and no such amount is below zero. Look again at what was measured and chart that; "
            "if fluid was put in or given back, chart an irrigation or a reinfusion."
        ),
    ),
    (
        reading(suction={"mode": "suction", "prescribed": centimetres(20)}),
        (
            "The prescribed suction is 20 cm[H2O], above zero; suction is below atmosphere and carries a minus sign. "
            "Check the order or the collection unit and chart what it shows; "
            "a source that sends suction without its sign says so in its mapping."
        ),
    ),
    (
        reading(level=GONE),
        (
            "This reading carries nothing that was read, so there is nothing to chart. Add what was seen; "
            "if the level could not be read, say why (level_not_read)."
        ),
    ),
    (
        reading(level_not_read="foam"),
        "This reading has a level and also a reason why the level was not read. Chart the one that is true.",
    ),
    (
        event("tiped"),
        (
            '"tiped" is no kind of event (the closest is "tipped"). Known are: connected, replaced, disconnected, '
            "removed, tipped, emptied, sampled, reinfused, irrigated, clamped, unclamped, milked, vented, "
            "suction-prescribed, weighed. If none fits what was done, put it in the note of a reading."
        ),
    ),
    (
        event("clamped", volume=millilitres(30)),
        (
            "An event of the kind clamped has no place for the volume, and an amount is not dropped unseen. "
            "Chart it as a reading, or as the event that it belongs to."
        ),
    ),
]


@pytest.mark.parametrize(("record", "text"), PINNED, ids=[text.split(",")[0][:40] for _, text in PINNED])
def test_what_a_nurse_is_told(record: dict[str, Any], text: str) -> None:
    assert [problem.text for problem in refused(record).problems] == [text]


def test_what_is_said_of_an_unknown_field() -> None:
    assert [problem.text for problem in parsed(reading(volum=4)).ignored] == [
        (
            'A field of this reading is not known here (the closest is "volume"); it is kept as sent but not used. '
            "Nothing else is lost by it."
        )
    ]


def all_problems() -> list[Problem]:
    held = [refused(case.record) for case in CASES]
    return [problem for result in held for problem in (*result.problems, *result.ignored)]


def test_every_sentence_is_whole() -> None:
    for problem in all_problems():
        assert re.fullmatch(r'["A-Z].*[.]', problem.text), problem
        assert not re.search(r"[{}]|\bNone\b|\bDecimal\b|\.\.(?!/)|  ", problem.text), problem
        assert len(problem.text) < 400, problem


def test_no_sentence_asks_to_fit_a_number_to_a_rule() -> None:
    # "Change the value", "set it to", "must be above": each would make a chart right and its content wrong.
    verbs = "change|adjust|correct|set|round|make|raise|lower"
    fitting = re.compile(rf"\b({verbs}) (it|the (value|number|level)|this)\b", re.IGNORECASE)
    for text in (*TEXTS.values(), *CATALOGUE.values()):
        assert not fitting.search(text), text


SECRET = "Orla Invented 1042"


@pytest.mark.parametrize(
    "field",
    ["id", "drain", "at", "level", "note", "observer", "collector", "suction", "air_leak", "appearance"],
)
@pytest.mark.parametrize(
    "shape", [SECRET + "\x07", SECRET * 1000, {SECRET: SECRET}, [SECRET], {"value": SECRET}]
)
def test_no_free_text_is_echoed(field: str, shape: object) -> None:
    held = refused(reading(**{"at": "x", field: shape}))
    words = [problem.text for problem in (*held.problems, *held.ignored) if problem.code != "unknown-word"]
    assert words
    assert not [text for text in words if "Invented" in text]


def test_a_word_is_shown_cut_and_harmless() -> None:
    assert shown("a\x1b[31m\u202eb") == '"a\\u001b[31m\\u202eb"'
    assert shown("x" * 50) == '"' + "x" * 39 + '…"'


def test_the_closest_word_is_the_contracts_own_spelling() -> None:
    assert closest("Level Not Read", ("level", "level_not_read")) == ' (the closest is "level_not_read")'
    assert closest("zebra", ("level", "volume")) == ""
    assert closest("topped-up", ("tipped", "emptied")) == ""  # a far guess would mislead


@pytest.mark.parametrize(
    ("pointer", "words"),
    [
        ("", "the record"),
        ("/level/value", "the value of the level"),
        ("/suction/prescribed/unit", "the unit of the prescribed suction"),
        ("/levels/Ward 3 bed 2/final_level", "the final level"),
        ("/levels/Ward 3 bed 2", "the levels by chamber"),
        ("/appearance/3", "the appearance"),
        ("/patient/value", "the value of the patient identifier"),
    ],
)
def test_a_place_is_told_without_a_name_that_the_sender_chose(pointer: str, words: str) -> None:
    assert place(pointer) == words
