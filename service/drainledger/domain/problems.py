"""What can be wrong in a record alone: one `Problem` each, and every code there is (DESIGN 3 'Answer')."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from msgspec import Struct


class Problem(Struct, frozen=True):
    """One thing wrong in one record.

    `code` is stable. `pointer` is a JSON pointer (RFC 6901) into the record, "" for the whole of it. `text` says
    where, why and what to do. It shows numbers, units and at most the offending word of an enumeration; never an
    identifier, a name or free text.
    """

    code: str
    pointer: str
    text: str


#: Every code of a held record, and `ignored-field`, which never holds one. For people who read logs and answers.
CATALOGUE: Final[Mapping[str, str]] = MappingProxyType(
    {
        # the bytes
        "too-big": "the record is longer than 1 MiB",
        "bad-encoding": "the record is not UTF-8",
        "bad-json": "the record is not JSON",
        "not-finite": "NaN or Infinity stands where a number should",
        "too-deep": "objects or lists are nested more than 32 deep",
        "duplicate-key": "a name appears twice in one object",
        "not-an-object": "the record is JSON, but not an object",
        # any field
        "missing-field": "a field that this record needs is absent, null or empty",
        "wrong-type": "a field holds another JSON type than the contract says",
        "unknown-record": "`record` names no kind of record",
        "unknown-event": "`kind` names no kind of event",
        "unknown-word": "a word is not in the list for this field",
        "empty-text": "text is empty or blank",
        "too-long": "text is longer than its field allows",
        "control-character": "an identifier holds an invisible character",
        "edge-space": "an identifier begins or ends with a space",
        "only-dots": "an identifier is nothing but dots",
        "too-many": "a list is longer than its field allows",
        "ignored-field": "the contract has no such field here: kept raw, not used, never a reason to hold",
        # times
        "bad-time": "text that is no time in RFC 3339 form",
        "time-without-zone": "a time has no offset from UTC",
        "no-such-time": "a day or an hour that does not exist",
        "future-time": "a time is more than 10 minutes after receipt",
        "time-out-of-range": "a time is outside the years 1900 to 2199",
        "from-not-before-at": "the period of an amount begins at or after its end",
        "bad-date": "text that is no date (year, year-month or year-month-day)",
        "bad-duration": "text that is no usable ISO 8601 duration",
        "unknown-zone": "text that names no IANA time zone",
        # quantities
        "missing-unit": "a number without its unit",
        "unknown-unit": "a unit that is neither UCUM nor a spelling in units.toml",
        "ambiguous-unit": "a unit that may mean more than one",
        "wrong-dimension": "a unit that measures something else",
        "number-out-of-range": "a number of more than 20 digits, or far beyond anything that is read at a bedside",
        "negative-amount": "an amount that can't be below zero is",
        "suction-sign": "suction stated as a positive pressure",
        # readings
        "no-measurement": "a reading that carries nothing that was read",
        "two-amounts": "a counter beside a level or a volume",
        "level-and-not-read": "an amount beside the reason why none could be read",
        "grade-not-whole": "an air-leak grade that is not a whole number",
        # events
        "no-drain-or-collector": "an event names neither a drain nor a collector",
        "field-not-for-event": "an amount that this kind of event has no place for",
        "gravity-with-pressure": "gravity prescribed together with a suction pressure",
        # drains
        "bad-joins": "a Y that does not join at least two other drains",
        # corrections and retractions
        "nothing-corrected": "a correction without the record as it should have been",
        "two-records": "a correction that holds more than one record",
        "kind-mismatch": "the record inside a correction says it is of another kind",
        "corrects-another-id": "the record inside a correction has another id than the one it corrects",
        "final-record": "a correction or a retraction can't itself be corrected or retracted",
    }
)
