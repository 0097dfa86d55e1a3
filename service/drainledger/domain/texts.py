"""The sentences of findings. For a nurse; with numbers and times, never a patient; never a hint to fit the number."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

_CHART_IT = (
    "If the unit was changed, emptied or tipped, chart that; otherwise leave the reading as you saw it."
)

_OUTPUT_UNTIL = "so the output from {start} to {end} is not known"

TEXTS: dict[str, str] = {
    "unexplained-fall": "{level} mL at {end} is below {base} mL at {base_at}, so output since {start} is not known. "
    + _CHART_IT,
    "within-reading-tolerance": "{level} mL at {end} is below {base} mL at {base_at} by no more than the scale can "
    "tell ({tolerance} mL): no output is counted and {base} mL stays the level to reckon from.",
    "chamber-full": "The chamber is full at {end} ({level} mL): at least {output} mL came out since {start}, "
    "perhaps more. Look at the unit and chart what you see.",
    "chamber-was-full": "The chamber was or may have been full between {start} and {end}: at least {output} mL came "
    "out, perhaps more.",
    "count-goes-on": "The container was changed at {end}; the device's count goes on, and the level charted for the "
    "start ({level} mL) is shown but not used.",
    "charted-already": "The same is charted for this chamber at {start} by another entry, which is used; the one at "
    "{end} is shown but not used.",
    "final-level-not-used": "The entry at {end} gives {level} mL as the last level of a unit, but no unit came off "
    "then: that level is shown but not used.",
    "reinfusion-not-measured": "Blood was given back from this unit between {start} and {end} and the amount is not "
    "charted, " + _OUTPUT_UNTIL + ". If the amount is known, chart it.",
    "start-level-not-known": "No level is charted for the start at {start}, "
    + _OUTPUT_UNTIL
    + ". The level at {end} "
    "is what the next output is reckoned from.",
    "closing-level-not-charted": "No level is charted for the unit when it was changed, emptied, tipped or taken off "
    "at {end}, " + _OUTPUT_UNTIL + ". If somebody read it, chart that level.",
    "counter-reset": "The device's count at {end} ({level} mL) starts after a reset: at least {output} mL came out "
    "since {start}.",
    "suspected-misread": "{level} mL at {end} does not fit the levels before and after it and is not used: at least "
    "{output} mL since {start} if {level} mL was misread; at least {larger} mL if the unit was changed, emptied or "
    "tipped. If it was, chart that; otherwise leave the reading as you saw it. Both rest on the other levels being "
    "right.",
    "readings-disagree": "Two levels of one chamber differ: {level} mL at {end} and {base} mL at {base_at}. {used}",
    "read-twice": "Another reading of the same chamber at {base_at} is used.",
    "finer-than-graduation": "{level} mL at {end} is finer than the marks there ({tolerance} mL apart) can tell.",
    "level-below-zero": "{level} mL at {end} is below zero: it is shown but not used.",
    "level-beyond-capacity": "{level} mL at {end} is more than the chamber holds ({base} mL): it is shown but not "
    "used. Look at the unit and chart what you see.",
    "reads-otherwise": "This drain is charted by {wanted}; what the reading at {end} gives is shown but not used.",
    "level-volume-mismatch": "At {end} the levels give {output} mL and the charted amount is {volume} mL; the levels "
    "are used.",
    "charted-twice": "Two amounts are charted within 15 minutes, at {start} and {end}. Both are counted: if one "
    "repeats the other, retract it.",
    "period-overlaps": "The amount charted at {end} says that it began before the amount before it ended; only what "
    "goes beyond those already charted is certain.",
    "already-in-place": "At {end} the drain was already connected to this unit: the connection stays as it was.",
    "chamber-occupied": "At {end} another drain was feeding this chamber: the entry is shown but not used. Check "
    "which drain leads to which chamber.",
    "chamber-not-stated": "The unit has several chambers and the entry at {end} does not say which: it is shown but "
    "not used. Chart it again with the chamber.",
    "no-such-chamber": "The unit has no chamber of that name; the entry at {end} is shown but not used.",
    "not-connected": "At {end} the drain was not connected to a unit: there was nothing to take off, tip or empty.",
    "not-connected-yet": "The entry at {end} waits: no unit is charted as connected to this drain by then. Chart the "
    "connection.",
    "drain-removed": "The drain is charted as removed before {end}: the entry is shown but not used.",
    "collector-unknown": "The entry at {end} waits: nothing is known yet of the unit that it names.",
    "unit-change-not-charted": "The reading at {end} names a unit that is not charted as connected to this drain: it "
    "waits. If the unit was changed, chart the change.",
    "collector-not-in-place": "The reading at {end} names a unit that came off earlier: it is shown but not used.",
    "output-while-clamped": "{output} mL came out between {start} and {end} although the tube is charted as clamped "
    "all that time. Look at the clamp and chart what you see.",
    "still-clamped": "The tube is charted as clamped since {start}.",
    "milked-while-clamped": "Milking or stripping is charted at {end} while the tube was clamped: pressure builds up.",
    "suction-not-reached": "At {end} the indicator shows that the suction is not reached.",
    "suction-differs-from-prescribed": "At {end} the suction is set to {level} cmH2O and {base} cmH2O is prescribed.",
    "pressure-held-after-decrease": "At {end} {level} cmH2O is measured although the suction was lowered to {base} "
    "cmH2O and no release is charted since.",
    "beyond-relief-pressure": "At {end} {level} cmH2O is measured, beyond the {base} cmH2O at which the unit's relief "
    "opens.",
    "vented-without-suction": "Pressure was released by hand at {end} on gravity: releasing can bring the pressure in "
    "the unit to that of the room.",
    "scale-mismatch": "At {end} the bag was read on the scale for {read} while on {mode}.",
    "grade-off-scale": "The air-leak grade {level} at {end} is beyond the scale of this unit's leak meter: it is "
    "shown but not used.",
    "no-leak-scale": "The air-leak grade {level} at {end} has no scale, since the unit has no leak meter that is "
    "known here: it is shown but not used.",
    "weight-unlikely": "The weight of {level} kg is unlikely here and not used for rates per weight.",
    "chamber-nearly-full": "The chamber held {level} mL of {base} mL at {end}.",
    "large-rise": "{output} mL came out between {start} and {end}, much for this unit.",
    "reading-overdue": "No reading is charted between {start} and {end}, longer than this drain's interval.",
    "hourly-output": "The output was above {base} mL/h in each of the hours to {end}.",
    "hourly-output-per-weight": "The output was above {base} mL/kg/h in each of the hours to {end}.",
    "output-at-once": "{output} mL came out between {start} and {end}, at or above the limit of {base} mL.",
    "daily-output": "{output} mL came out between {start} and {end}, at or above the limit of {base} mL.",
    "output-stopped-abruptly": "The output fell from {base} mL/h to {level} mL/h at {end}.",
    "appearance-changed": "What the fluid looks like has changed by {end}.",
    "air-leak-prolonged": "Air has been seen in the leak meter for more than {level} days by {end}.",
}


#: What decided which of two levels of one chamber counts.
_DECIDED = {
    "source": "its source comes first",
    "lower": "it is the lower of the two",
    "fits": "it fits the levels before and after it",
    "act": "it was charted with the act itself",
    "last": "it is the level that the unit came off with",
    "next": "what comes next is reckoned from it",
}


def which_counts(level: Decimal, decided: str) -> str:
    """The sentence that tells which of two levels (mL) counts, and why: a key of the reasons above."""
    return f"{level:f} mL is used: {_DECIDED[decided]}."


def clock(at: datetime, zone: ZoneInfo, beside: datetime) -> str:
    """Wall time in the drain's zone; with the date, and where the clock hour repeats the offset, when `beside`, the
    instant that the sentence is about, is of another day."""
    local, other = at.astimezone(zone), beside.astimezone(zone)
    text = local.strftime("%H:%M" if local.date() == other.date() else "%Y-%m-%d %H:%M")
    if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset():
        text += local.strftime(" %z")
    return text


def sentence(code: str, advice: str = "", **facts: str | Decimal) -> str:
    """The finding's text with its facts put in; `advice` is a rule's own last sentence."""
    shown = {name: format(fact, "f") if isinstance(fact, Decimal) else fact for name, fact in facts.items()}
    text = TEXTS[code].format(**shown)
    return f"{text} {advice}" if advice else text
