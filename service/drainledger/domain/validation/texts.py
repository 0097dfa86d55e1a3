"""The sentences: where, why, what to do. They never ask anyone to fit what was seen to a rule.

`{where}` is the place in words, `{Where}` the same at the head of a sentence, `{subject}` the kind of record. The other
names are given by the caller of `problem`; free text from the record is never among them.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from difflib import get_close_matches
from types import MappingProxyType
from typing import Final

from drainledger.domain.problems import Problem
from drainledger.domain.validation.pointer import place

#: The offending word of an enumeration, or a unit, is shown up to this length.
_SHOWN: Final = 40

TEXTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "too-big": "The record is {size} bytes long and the limit is {limit}, so it was not read. "
        "Send one record at a time, without attachments.",
        "bad-encoding": "The record is not UTF-8 text from byte {byte} on, so it could not be read. "
        "Have the source write UTF-8.",
        "bad-json": "The record is not valid JSON ({reason}), so it could not be read. "
        "Check how the source writes it; one record is one JSON object.",
        "not-finite": "NaN or Infinity stands where a number should, and JSON knows neither. "
        "If nothing was read, leave the field out.",
        "too-deep": "Objects or lists are nested more than {limit} deep, so the record was not read. "
        "No record needs that; check how the source writes it.",
        "duplicate-key": "A field name appears twice in one object, so it can't be told which of the two was meant. "
        "Send each field once.",
        "not-an-object": "One record is one JSON object, but {found} was sent. "
        "Send each record as an object of its own.",
        "missing-field": "{Where} is missing, so this {subject} can't be used. Add it and send the record again.",
        "wrong-type": "{Where} should be {wanted}, but {found} was sent. "
        "Check the form or the mapping that fills this field.",
        "unknown-record": "{shown} is no kind of record{closest}. Known are: {known}.",
        "unknown-event": "{shown} is no kind of event{closest}. Known are: {known}. "
        "If none fits what was done, put it in the note of a reading.",
        "unknown-word": "{Where} has the word {shown}, which is not in the list{closest}. Known are: {known}.",
        "empty-text": "{Where} is empty. Fill it in, or leave the field out if it does not apply.",
        "too-long": "{Where} has {length} characters and the limit is {limit}. "
        "Shorten it where it is entered, or check which field the source fills.",
        "control-character": "{Where} holds an invisible character, so it could pass for another. "
        "Scan or enter it again.",
        "edge-space": "{Where} begins or ends with a space, so it could pass for another. Enter it without the space.",
        "only-dots": "{Where} is nothing but dots, and in an address that means another place, so nobody could ask for "
        "it. Give it another id.",
        "too-many": "{Where} has {length} entries and the limit is {limit}. Check how the source fills it.",
        "ignored-field": "A field of this {subject} is not known here{closest}; it is kept as sent but not used. "
        "Nothing else is lost by it.",
        "bad-time": "{Where} is not a time as 2026-03-02T07:00:00+00:00 is one. "
        "Send the date, the hour and the offset from UTC.",
        "time-without-zone": "{Where} has no offset from UTC, so it could mean different hours. "
        "Have the source send one (as in {example}), or name the source's time zone in its mapping.",
        "no-such-time": "{Where} does not exist: {reason}. Chart the time at which it was done or seen.",
        "future-time": "{Where} lies more than {minutes} minutes after the record was received. "
        "Check the date, the hour and the clock of the device; chart the time at which it was done or seen.",
        "time-out-of-range": "{Where} is in the year {year}, which no drain was in. "
        "Check the date and the clock of the device.",
        "from-not-before-at": "The period of this amount begins (from) at or after its end (at), so it has no length. "
        "Check both times; chart when the measuring began and when it ended.",
        "bad-date": "{Where} is not a date: write the year, the month and the day as 2028-01-31, "
        "or 2028-01 or 2028 where no more is known.",
        "bad-duration": "{Where} is not a length of time as PT1H (one hour) or PT30M (thirty minutes) is one, "
        "above zero and at most {days} days. Months and years have no fixed length.",
        "unknown-zone": "{Where} is no name in the IANA time zone database{closest}. "
        "Send the zone of the ward, such as Europe/Lisbon.",
        "missing-unit": "{Where} has no unit, and a number alone could mean several amounts. "
        "Send the value with its unit, as it stands on the scale that was read.",
        "unknown-unit": "{Where} is {unit}, which is no known unit. Send a UCUM unit (such as mL or cm[H2O]), "
        "or add this spelling to the units mapping.",
        "ambiguous-unit": "{Where} is {unit}, which can mean more than one unit: {advice}",
        "wrong-dimension": "{Where} is {unit}, which does not measure {wanted}. "
        "Check which quantity was meant for this field, and the unit on the scale that was read.",
        "number-out-of-range": "{Where} holds a number too long, too large or too small to be a reading. "
        "Check the device or the form that it came from.",
        "negative-amount": "{Where} is {value} {unit}, and no such amount is below zero. "
        "Look again at what was measured and chart that{instead}.",
        "suction-sign": "{Where} is {value} {unit}, above zero; suction is below atmosphere and carries a minus sign. "
        "Check the order or the collection unit and chart what it shows; "
        "a source that sends suction without its sign says so in its mapping.",
        "no-measurement": "This reading carries nothing that was read, so there is nothing to chart. "
        "Add what was seen; if the level could not be read, say why (level_not_read).",
        "two-amounts": "This reading has a counter and also a {other}, and only one can be what was read. "
        "Chart the one that was read from the unit.",
        "level-and-not-read": "This reading has a {other} and also a reason why the level was not read. "
        "Chart the one that is true.",
        "grade-not-whole": "{Where} is {value}, and the leak meter is read in whole columns. "
        "Look at the meter again or chart the pattern alone; for a measured flow of air use flow with its unit.",
        "no-drain-or-collector": "This event names neither a drain nor the unit that it was done to, "
        "so it can't be placed. Name the drain{alternative}.",
        "field-not-for-event": "An event of the kind {kind} has no place for {where}, and an amount is not dropped "
        "unseen. {advice}",
        "gravity-with-pressure": "Gravity is prescribed here together with a pressure of {value} cmH2O, "
        "and one excludes the other. Check the order and chart what it says.",
        "bad-joins": "{Where} must name at least two drains, each once and not this one. "
        "Name the drains whose tubes lead into the same chamber.",
        "nothing-corrected": "This correction does not hold the record as it should have been. "
        "Add the whole record under its kind (drain, collector, event or reading).",
        "two-records": "This correction holds more than one record. Send one correction for each record.",
        "kind-mismatch": "The record inside the correction says it is {shown}, but it stands under {kind}. "
        "A correction keeps the kind; if the kind itself was wrong, retract the record and enter a new one.",
        "corrects-another-id": "The record inside the correction has another id than the one it corrects. "
        "A correction keeps the id: leave the inner id out, or check which record was meant.",
        "final-record": "A {kind} is final and can't itself be corrected or retracted. "
        "Send another correction or retraction of the record that it was about.",
    }
)

_KINDS: Final = {
    type(None): "null",
    bool: "true or false",
    int: "a number",
    Decimal: "a number",
    float: "a binary float, which is never exact",
    str: "text",
    list: "a list",
    dict: "an object",
}


def problem(code: str, pointer: str, **details: object) -> Problem:
    """The problem `code` at `pointer`, in words. `details` fill the template of the code."""
    where = place(pointer)
    named = {"subject": "record", "where": where, "Where": where[0].upper() + where[1:], **details}
    text = TEXTS[code].format_map(named)
    return Problem(code, pointer, text)


def type_name(value: object) -> str:
    """What JSON type `value` is, in words, never the value."""
    return _KINDS.get(type(value), "something else")


def shown(word: str) -> str:
    """A word of the sender's in quotes: cut, and with control characters escaped."""
    return f'"{bare(word)}"'


def bare(word: str) -> str:
    """As `shown`, without the quotes."""
    cut = word if len(word) <= _SHOWN else word[: _SHOWN - 1] + "…"
    return "".join(mark if mark.isprintable() else f"\\u{ord(mark):04x}" for mark in cut)


def number(value: Decimal) -> str:
    """A value of the sender's as people write it."""
    text = format(value, "f")
    return text if len(text) <= _SHOWN else format(value, ".6e")


def closest(word: str, known: tuple[str, ...], likeness: float = 0.7) -> str:
    """' (the closest is "reached")', or nothing where no known word is near."""
    alike = {_folded(name): name for name in known}
    near = get_close_matches(_folded(word[:_SHOWN]), alike, n=1, cutoff=likeness)
    return f' (the closest is "{alike[near[0]]}")' if near else ""


def _folded(word: str) -> str:
    return word.strip().lower().replace("_", "-").replace(" ", "-")
