"""Wrong envelopes, times and quantities, which any kind of record may have."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from tests.validation.cases.case import Case
from tests.validation.samples import (
    GONE,
    centimetres,
    drain,
    event,
    millilitres,
    reading,
)

ENVELOPE: Final = [
    Case(
        "no kind of record", reading(record=GONE), "missing-field", "/record", "The kind of record (record)"
    ),
    Case(
        "unknown kind of record",
        reading(record="readings"),
        "unknown-record",
        "/record",
        'closest is "reading"',
    ),
    Case("record is a number", reading(record=7), "wrong-type", "/record", "a number was sent"),
    Case("record is a list", reading(record=["reading"]), "wrong-type", "/record", "a list was sent"),
    Case("no id", reading(id=GONE), "missing-field", "/id", "The id is missing"),
    Case("id is a number", reading(id=7), "wrong-type", "/id", "should be text"),
    Case("empty id", reading(id=""), "empty-text", "/id", "The id is empty"),
    Case("blank id", reading(id="  "), "empty-text", "/id", "The id is empty"),
    Case("long id", reading(id="r" * 129), "too-long", "/id", "129 characters and the limit is 128"),
    Case(
        "control character in an id", reading(id="r\x07"), "control-character", "/id", "invisible character"
    ),
    Case(
        "zero-width space in an id",
        reading(drain="drn\u200b7"),
        "control-character",
        "/drain",
        "The drain holds",
    ),
    *(
        Case(
            f"a sign that turns text, {ord(sign):x}",
            reading(id=f"r{sign}7"),
            "control-character",
            "/id",
            "invisible",
        )
        for sign in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    ),
    Case(
        "an id that means another place in a path", reading(drain=".."), "only-dots", "/drain", "another id"
    ),
    Case("an id of one dot", reading(id="."), "only-dots", "/id", "nothing but dots"),
    Case("space at the end of an id", reading(drain="drn-7 "), "edge-space", "/drain", "without the space"),
]

TIMES: Final = [
    Case("no time", reading(at=GONE), "missing-field", "/at", "The time (at) is missing"),
    Case("null time", reading(at=None), "missing-field", "/at", "Add it"),
    Case("time is a number", reading(at=1772434800), "wrong-type", "/at", "a time as text"),
    Case(
        "time without zone",
        reading(at="2026-03-02T07:00:00"),
        "time-without-zone",
        "/at",
        "no offset from UTC",
    ),
    Case(
        "date for a time", reading(at="2026-03-02"), "time-without-zone", "/at", "could mean different hours"
    ),
    Case("words for a time", reading(at="yesterday"), "bad-time", "/at", "the offset from UTC"),
    Case("day first", reading(at="02/03/2026 07:00"), "bad-time", "/at", "is not a time"),
    Case("week date", reading(at="2026-W10-1T07:00:00Z"), "bad-time", "/at", "is not a time"),
    Case("other digits", reading(at="\uff12026-03-02T07:00:00Z"), "bad-time", "/at", "is not a time"),
    Case(
        "offset beyond any zone", reading(at="2026-03-02T07:00:00+15:00"), "bad-time", "/at", "is not a time"
    ),
    Case("30 February", reading(at="2026-02-30T07:00:00Z"), "no-such-time", "/at", "2026-02 has no day 30"),
    Case("29 February", reading(at="2026-02-29T07:00:00Z"), "no-such-time", "/at", "2026-02 has no day 29"),
    Case("month 13", reading(at="2026-13-01T07:00:00Z"), "no-such-time", "/at", "there is no month 13"),
    Case(
        "24:00",
        reading(at="2026-03-01T24:00:00Z"),
        "no-such-time",
        "/at",
        "midnight is 00:00 of the next day",
    ),
    Case("25:00", reading(at="2026-03-01T25:00:00Z"), "no-such-time", "/at", "a day has no 25:00:00"),
    Case("leap second", reading(at="2016-12-31T23:59:60Z"), "no-such-time", "/at", "leap seconds"),
    Case("an hour ahead", reading(at="2026-03-02T13:00:00Z"), "future-time", "/at", "10 minutes after"),
    Case(
        "charted in the future",
        reading(recorded_at="2026-03-02T12:10:01Z"),
        "future-time",
        "/recorded_at",
        "clock of the device",
    ),
    Case("year 1", reading(at="0001-01-01T00:00:00+14:00"), "time-out-of-range", "/at", "in the year 1,"),
    Case("year 1899", reading(at="1899-12-31T00:00:00Z"), "time-out-of-range", "/at", "no drain was in"),
    Case(
        "period of no length",
        reading(level=GONE, volume=millilitres(30), from_="2026-03-02T07:00:00Z"),
        "from-not-before-at",
        "/from",
        "when the measuring began",
    ),
    Case(
        "period that ends before it begins",
        reading(level=GONE, volume=millilitres(30), from_="2026-03-02T08:00:00Z"),
        "from-not-before-at",
        "/from",
        "no length",
    ),
]

QUANTITIES: Final = [
    Case("a bare number", reading(level=40), "missing-unit", "/level", "The level has no unit"),
    Case("no unit", reading(level={"value": 40}), "missing-unit", "/level", "as it stands on the scale"),
    Case("empty unit", reading(level={"value": 40, "unit": ""}), "missing-unit", "/level", "no unit"),
    Case(
        "unit is a number",
        reading(level={"value": 40, "unit": 1}),
        "wrong-type",
        "/level/unit",
        "a unit as text",
    ),
    Case(
        "no value", reading(level={"unit": "mL"}), "missing-field", "/level/value", "The value of the level"
    ),
    Case("value as text", reading(level=millilitres("40")), "wrong-type", "/level/value", "text was sent"),
    Case("value is true", reading(level=millilitres(True)), "wrong-type", "/level/value", "true or false"),
    Case("quantity as text", reading(level="40 mL"), "wrong-type", "/level", "a value with its unit"),
    Case("quantity as a list", reading(level=[40, "mL"]), "wrong-type", "/level", "a list was sent"),
    Case(
        "unknown unit",
        reading(level={"value": 40, "unit": "mils"}),
        "unknown-unit",
        "/level/unit",
        'is "mils", which',
    ),
    Case(
        "endless unit", reading(level={"value": 4, "unit": "m" * 999}), "unknown-unit", "/level/unit", "mmm…"
    ),
    Case(
        "unit of two meanings",
        reading(level={"value": 4, "unit": "oz"}),
        "ambiguous-unit",
        "/level/unit",
        "foz_us",
    ),
    Case(
        "level in a unit of pressure",
        reading(level={"value": 40, "unit": "mmHg"}),
        "wrong-dimension",
        "/level/unit",
        "does not measure volume",
    ),
    Case(
        "suction in mL",
        reading(suction={"applied": millilitres(-20)}),
        "wrong-dimension",
        "/suction/applied/unit",
        "The unit of the applied suction",
    ),
    Case(
        "weight in mL",
        event("weighed", weight=millilitres(3)),
        "wrong-dimension",
        "/weight/unit",
        "does not measure weight",
    ),
    Case(
        "1e999",
        reading(level=millilitres(Decimal("1e999"))),
        "number-out-of-range",
        "/level/value",
        "to be a reading",
    ),
    Case(
        "10^40",
        reading(level=millilitres(Decimal(10**40))),
        "number-out-of-range",
        "/level/value",
        "too large",
    ),
    Case(
        "1e-999",
        reading(level=millilitres(Decimal("1e-999"))),
        "number-out-of-range",
        "/level/value",
        "too small",
    ),
    Case(
        "21 digits",
        reading(level=millilitres(Decimal("1.00000000000000000001"))),
        "number-out-of-range",
        "/level/value",
        "too long",
    ),
    Case(
        "negative volume",
        reading(level=GONE, volume=millilitres(-30)),
        "negative-amount",
        "/volume",
        "The volume is -30 mL, and no such amount is below zero",
    ),
    Case(
        "negative weight",
        drain(weight={"value": -3, "unit": "kg"}),
        "negative-amount",
        "/weight",
        "The weight is -3 kg",
    ),
    Case(
        "negative air flow",
        reading(air_leak={"flow": {"value": -5, "unit": "mL/min"}}),
        "negative-amount",
        "/air_leak/flow",
        "The air flow is -5 mL/min",
    ),
    Case(
        "negative swing",
        reading(tidaling={"state": "present", "swing": centimetres(-4)}),
        "negative-amount",
        "/tidaling/swing",
        "The swing of the column",
    ),
    Case(
        "negative sample",
        event("sampled", volume=millilitres(-10)),
        "negative-amount",
        "/volume",
        "chart an irrigation or a reinfusion",
    ),
]
