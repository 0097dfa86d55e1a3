"""Wrong readings."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from tests.validation.cases.case import Case
from tests.validation.samples import (
    GONE,
    centimetres,
    millilitres,
    reading,
)

READINGS: Final = [
    Case("no drain", reading(drain=GONE), "missing-field", "/drain", "The drain is missing"),
    Case("nothing read", reading(level=GONE), "no-measurement", "", "carries nothing that was read"),
    Case(
        "a note alone", reading(level=GONE, note="slept well"), "no-measurement", "", "why (level_not_read)"
    ),
    Case(
        "empty observations",
        reading(level=None, suction={}, appearance=[]),
        "no-measurement",
        "",
        "nothing to chart",
    ),
    Case(
        "level and counter",
        reading(counter=millilitres(9)),
        "two-amounts",
        "/counter",
        "a counter and also a level",
    ),
    Case(
        "volume and counter",
        reading(level=GONE, volume=millilitres(9), counter=millilitres(9)),
        "two-amounts",
        "/counter",
        "also a volume",
    ),
    Case(
        "level and the reason for none",
        reading(level_not_read="foam"),
        "level-and-not-read",
        "/level_not_read",
        "Chart the one that is true",
    ),
    Case(
        "unknown reason for no level",
        reading(level=GONE, level_not_read="fog"),
        "unknown-word",
        "/level_not_read",
        "foam, covered, tilted",
    ),
    Case(
        "prescribed suction without its sign",
        reading(suction={"mode": "suction", "prescribed": centimetres(20)}),
        "suction-sign",
        "/suction/prescribed",
        "The prescribed suction is 20 cm[H2O], above zero",
    ),
    Case(
        "applied suction without its sign",
        reading(suction={"applied": {"value": 2, "unit": "kPa"}}),
        "suction-sign",
        "/suction/applied",
        "is 2 kPa, above zero",
    ),
    Case(
        "suction is a word",
        reading(suction="on"),
        "wrong-type",
        "/suction",
        "should be an object with mode, prescribed",
    ),
    Case(
        "unknown mode", reading(suction={"mode": "wall"}), "unknown-word", "/suction/mode", "suction, gravity"
    ),
    Case(
        "misspelt pattern",
        reading(air_leak={"pattern": "intermitent"}),
        "unknown-word",
        "/air_leak/pattern",
        '(the closest is "intermittent")',
    ),
    Case(
        "half a grade",
        reading(air_leak={"grade": Decimal("2.5")}),
        "grade-not-whole",
        "/air_leak/grade",
        "is 2.5,",
    ),
    Case(
        "negative grade",
        reading(air_leak={"grade": -1}),
        "negative-amount",
        "/air_leak/grade",
        "is -1 on its scale",
    ),
    Case(
        "grade as text", reading(air_leak={"grade": "2"}), "wrong-type", "/air_leak/grade", "a whole number"
    ),
    Case(
        "huge grade",
        reading(air_leak={"grade": Decimal("1e30")}),
        "number-out-of-range",
        "/air_leak/grade",
        "large",
    ),
    Case(
        "pinch test without its outcome",
        reading(air_leak={"test": {"pinched": "the tube"}}),
        "missing-field",
        "/air_leak/test/bubbling",
        "outcome of the pinch test",
    ),
    Case(
        "pinch test of nothing",
        reading(air_leak={"test": {"pinched": " ", "bubbling": "stops"}}),
        "empty-text",
        "/air_leak/test/pinched",
        "place that was pinched",
    ),
    Case("tidaling is true", reading(tidaling=True), "wrong-type", "/tidaling", "true or false was sent"),
    Case(
        "swing alone",
        reading(tidaling={"swing": centimetres(4)}),
        "missing-field",
        "/tidaling/state",
        "The tidaling",
    ),
    Case(
        "unknown appearance",
        reading(appearance=["serous", "cloudy"]),
        "unknown-word",
        "/appearance/1",
        '"cloudy"',
    ),
    Case(
        "appearance is a word", reading(appearance="serous"), "wrong-type", "/appearance", "a list of words"
    ),
    Case("endless appearance", reading(appearance=["serous"] * 19), "too-many", "/appearance", "19 entries"),
    Case("unknown scale", reading(scale="left"), "unknown-word", "/scale", "gravity, suction"),
    Case(
        "observer without a value",
        reading(observer={"kind": "device"}),
        "missing-field",
        "/observer/value",
        "observer",
    ),
    Case("note is an object", reading(note={"text": "x"}), "wrong-type", "/note", "should be text"),
    Case("endless note", reading(note="x" * 10_001), "too-long", "/note", "10001 characters"),
]
