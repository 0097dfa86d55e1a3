"""JSON pointers (RFC 6901), and the words for the place that one points at."""

from __future__ import annotations

from typing import Final

#: A field name longer than this is nobody's; its pointer is cut.
_LONGEST_NAME: Final = 120

_PHRASES: Final = {
    "air_leak": "air leak",
    "aidc": "scanned device identifier",
    "applied": "applied suction",
    "at": "time (at)",
    "bubbling": "outcome of the pinch test (bubbling)",
    "collector": "collector",
    "corrects": "id of the corrected record (corrects)",
    "counter": "counter",
    "device_identifier": "device identifier",
    "drain": "drain",
    "encounter": "encounter",
    "entry_type": "entry type",
    "expires_on": "expiry date (expires_on)",
    "final_level": "final level",
    "flow": "air flow",
    "from": "start of the period (from)",
    "from_collector": "old collector (from_collector)",
    "grade": "air-leak grade",
    "hrf": "printed device identifier",
    "indicator": "suction indicator",
    "inserted_at": "time of insertion (inserted_at)",
    "joins": "list of joined drains (joins)",
    "kind": "kind",
    "level": "level",
    "level_after": "level after",
    "level_before": "level before",
    "level_not_read": "reason why the level was not read (level_not_read)",
    "levels": "levels by chamber",
    "lot": "lot number",
    "made_at": "time at which this was stated (made_at)",
    "made_on": "date of manufacture (made_on)",
    "mode": "suction mode",
    "patient": "patient identifier",
    "pattern": "bubbling pattern",
    "pinched": "place that was pinched",
    "prescribed": "prescribed suction",
    "pressure": "pressure",
    "profile": "collector profile",
    "reads": "way of reading (reads)",
    "reads_every": "reading interval (reads_every)",
    "record": "kind of record (record)",
    "recorded_at": "time of charting (recorded_at)",
    "retracts": "id of the retracted record (retracts)",
    "serial": "serial number",
    "set": "set suction",
    "start_level": "start level",
    "state": "tidaling",
    "swing": "swing of the column",
    "test": "pinch test",
    "time_zone": "time zone",
    "udi": "unique device identifier (udi)",
    "volume": "volume",
    "weight": "weight",
}
#: Fields whose name is the word for them.
_PLAIN: Final = (
    *("appearance", "chamber", "id", "label", "note", "observer", "patency", "provoked", "reason"),
    *("scale", "side", "suction", "system", "tidaling", "unit", "value", "ward", "reading", "event"),
)
_WORDS: Final = {**{name: name for name in _PLAIN}, **_PHRASES}
_PARTS: Final = ("value", "unit", "system")


def token(name: str) -> str:
    """`name` as a reference token: `~` and `/` escaped (RFC 6901, 3); one that nobody would choose is cut."""
    short = name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"
    return short.replace("~", "~0").replace("/", "~1")


def place(pointer: str) -> str:
    """The place in words, never by a name that the sender chose: "the value of the final level"."""
    tokens = pointer.split("/")[1:]
    while tokens and tokens[-1] not in _WORDS:
        tokens.pop()
    if not tokens:
        return "the record"
    if tokens[-1] in _PARTS and len(tokens) > 1:
        return f"the {tokens[-1]} of {place('/' + '/'.join(tokens[:-1]))}"
    return f"the {_WORDS[tokens[-1]]}"
