"""What a record looks like from outside, for the OpenAPI document (DESIGN 3). The rules are domain/validation's: what
does not keep to this is held with its reasons, never refused."""

from __future__ import annotations

from typing import Any, Final

_TEXT: Final = {"type": "string"}
_WHEN: Final = {
    "type": "string",
    "format": "date-time",
    "description": "RFC 3339, with an offset from UTC",
}
_QUANTITY: Final = {"$ref": "#/components/schemas/Quantity"}
_FIELDS: Final[dict[str, Any]] = {
    "record": {"enum": ["drain", "collector", "event", "reading", "correction", "retraction"]},
    "id": {**_TEXT, "description": "unique per tenant for drains and collectors, else per source"},
    "drain": _TEXT,
    "collector": _TEXT,
    "chamber": _TEXT,
    "kind": {**_TEXT, "description": "of a drain (pleural, mediastinal) or of an event (connected, tipped…)"},
    "at": _WHEN,
    "made_at": _WHEN,
    "level": _QUANTITY,
    "volume": _QUANTITY,
    "counter": _QUANTITY,
    "start_level": _QUANTITY,
    "final_level": _QUANTITY,
    "level_before": _QUANTITY,
    "level_after": _QUANTITY,
    "profile": _TEXT,
    "patient": {"type": "object", "properties": {"system": _TEXT, "value": _TEXT}},
    "time_zone": {**_TEXT, "description": "IANA"},
    "corrects": _TEXT,
    "retracts": _TEXT,
    "reason": _TEXT,
}

SCHEMAS: Final[dict[str, Any]] = {
    "Quantity": {
        "type": "object",
        "required": ["value", "unit"],
        "properties": {
            "value": {"type": "number"},
            "unit": {**_TEXT, "description": "UCUM, or a spelling in the units mapping; never left out"},
        },
    },
    "Record": {
        "type": "object",
        "description": "Something that a source sends. Fields beyond these are in the README; unknown ones are kept "
        "raw and answered as `ignored-field`.",
        "required": ["record", "id"],
        "properties": _FIELDS,
    },
}

DRAIN: Final = {
    "record": "drain",
    "id": "drn-7",
    "patient": {"system": "https://ward.example/mrn", "value": "P-1042"},
    "kind": "pleural",
    "side": "left",
    "weight": {"value": 72, "unit": "kg"},
    "time_zone": "Europe/Lisbon",
}
COLLECTOR: Final = {"record": "collector", "id": "col-3", "profile": "adult-single"}
CONNECTED: Final = {
    "record": "event",
    "id": "ev-1",
    "kind": "connected",
    "drain": "drn-7",
    "collector": "col-3",
    "chamber": "A",
    "at": "2026-03-02T06:00:00+00:00",
    "start_level": {"value": 0, "unit": "mL"},
}
READING: Final = {
    "record": "reading",
    "id": "r-1",
    "drain": "drn-7",
    "at": "2026-03-02T07:00:00+00:00",
    "level": {"value": 40, "unit": "mL"},
    "air_leak": {"grade": 2, "pattern": "intermittent"},
    "tidaling": "present",
}
LATER: Final = {
    "record": "reading",
    "id": "r-2",
    "drain": "drn-7",
    "at": "2026-03-02T08:00:00+00:00",
    "level": {"value": 90, "unit": "cc"},
}
CORRECTION: Final = {
    "record": "correction",
    "id": "c-1",
    "corrects": "r-2",
    "made_at": "2026-03-02T09:10:00+00:00",
    "reading": {
        "id": "r-2",
        "drain": "drn-7",
        "at": "2026-03-02T08:00:00+00:00",
        "level": {"value": 80, "unit": "mL"},
    },
}
RETRACTION: Final = {
    "record": "retraction",
    "id": "x-1",
    "retracts": "r-2",
    "made_at": "2026-03-02T09:12:00+00:00",
    "reason": "charted on the wrong patient",
}
WITHOUT_ZONE: Final = LATER | {"id": "r-3", "at": "2026-03-02T09:00:00"}

_RECORD: Final = {"$ref": "#/components/schemas/Record"}
_LINES: Final = (
    '{"record":"collector","id":"col-4","profile":"adult-single"}\n'
    '{"record":"event","id":"ev-2","kind":"replaced","drain":"drn-7","collector":"col-4","chamber":"A",'
    '"at":"2026-03-02T10:00:00+00:00","final_level":{"value":120,"unit":"mL"}}\n'
)

REQUEST_BODY: Final[dict[str, Any]] = {
    "required": True,
    "content": {
        "application/json": {
            "schema": {"anyOf": [_RECORD, {"type": "array", "minItems": 1, "items": _RECORD}]},
            "examples": {
                "a drain, a unit, and how they are connected": {"value": [DRAIN, COLLECTOR, CONNECTED]},
                "a reading": {"value": READING},
                "another, by another spelling of the unit": {"value": LATER},
                "a correction": {"value": CORRECTION},
                "a retraction": {"value": RETRACTION},
                "one that is held: its time has no offset": {"value": WITHOUT_ZONE},
                "one that is held, beside one that is not": {"value": [READING, WITHOUT_ZONE]},
            },
        },
        "application/x-ndjson": {
            "schema": {"type": "string", "description": "one record a line"},
            "examples": {"a unit, and the change to it": {"value": _LINES}},
        },
    },
}
MENDED_BODY: Final[dict[str, Any]] = {
    "required": False,
    "description": "The record as it should have been; nothing: the bytes that were received",
    "content": {
        "application/json": {
            "schema": _RECORD,
            "examples": {"the time, with its offset": {"value": LATER | {"id": "r-3"}}},
        }
    },
}
