"""Wrong events."""

from __future__ import annotations

from typing import Final

from tests.validation.cases.case import Case
from tests.validation.samples import (
    GONE,
    centimetres,
    event,
    millilitres,
)


def _chamber_a(**levels: object) -> dict[str, object]:
    return {"A": levels}


EVENTS: Final = [
    Case("no kind of event", event(None), "missing-field", "/kind", "this event"),
    Case("unknown kind of event", event("tiped"), "unknown-event", "/kind", 'closest is "tipped"'),
    Case(
        "event without a time", event("clamped", at=GONE), "missing-field", "/at", "this event can't be used"
    ),
    Case(
        "event without a drain",
        event("clamped", drain=GONE),
        "missing-field",
        "/drain",
        "The drain is missing",
    ),
    Case("connected to nothing", event("connected"), "missing-field", "/collector", "The collector"),
    Case("replaced by nothing", event("replaced"), "missing-field", "/collector", "The collector"),
    Case(
        "replaced nobody knows where",
        event("replaced", drain=GONE, collector="col-4"),
        "no-drain-or-collector",
        "/drain",
        "or the unit (from_collector)",
    ),
    Case(
        "tipped nobody knows what",
        event("tipped", drain=GONE),
        "no-drain-or-collector",
        "/drain",
        "(collector)",
    ),
    Case(
        "sampled nobody knows how much", event("sampled"), "missing-field", "/volume", "The volume is missing"
    ),
    Case("irrigated with nothing", event("irrigated"), "missing-field", "/volume", "The volume is missing"),
    Case("weighed without a weight", event("weighed"), "missing-field", "/weight", "The weight is missing"),
    Case("prescribed nothing", event("suction-prescribed"), "missing-field", "/mode", "The suction mode"),
    Case(
        "prescribed without its sign",
        event("suction-prescribed", mode="suction", pressure=centimetres(20)),
        "suction-sign",
        "/pressure",
        "Check the order",
    ),
    Case(
        "gravity with suction",
        event("suction-prescribed", mode="gravity", pressure=centimetres(-20)),
        "gravity-with-pressure",
        "/pressure",
        "one excludes the other",
    ),
    Case(
        "an amount on the wrong event",
        event("clamped", volume=millilitres(30)),
        "field-not-for-event",
        "/volume",
        "has no place for the volume",
    ),
    Case(
        "final level of an emptying",
        event("emptied", final_level=millilitres(900)),
        "field-not-for-event",
        "/final_level",
        "It takes level_before and level_after",
    ),
    Case(
        "level of a whole unit",
        event("tipped", drain=GONE, collector="col-3", level_before=millilitres(400)),
        "field-not-for-event",
        "/level_before",
        "say which chamber",
    ),
    Case(
        "levels by chamber of one drain",
        event("tipped", levels=_chamber_a(level_before=millilitres(400))),
        "field-not-for-event",
        "/levels",
        "It takes level_before and level_after",
    ),
    Case(
        "final level of a tip, by chamber",
        event("tipped", drain=GONE, collector="col-3", levels=_chamber_a(final_level=millilitres(4))),
        "field-not-for-event",
        "/levels/A/final_level",
        "no place for the final level",
    ),
    Case(
        "a chamber's level without a unit",
        event("tipped", drain=GONE, collector="col-3", levels=_chamber_a(level_before={"value": 4})),
        "missing-unit",
        "/levels/A/level_before",
        "The level before has no unit",
    ),
    Case(
        "a chamber with a slash",
        event("tipped", drain=GONE, collector="col-3", levels={"A/~1": 4}),
        "wrong-type",
        "/levels/A~1~01",
        "levels by chamber",
    ),
    Case(
        "a chamber without a name",
        event("tipped", drain=GONE, collector="col-3", levels={"": {"level_after": millilitres(3)}}),
        "empty-text",
        "/levels/",
        "levels by chamber",
    ),
    Case(
        "levels in a list",
        event("tipped", drain=GONE, collector="c", levels=[]),
        "wrong-type",
        "/levels",
        "a list",
    ),
    Case(
        "endless chambers",
        event("tipped", drain=GONE, collector="c", levels={f"{n}": {} for n in range(17)}),
        "too-many",
        "/levels",
        "17 entries",
    ),
]
