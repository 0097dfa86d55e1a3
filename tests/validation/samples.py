"""Records to spoil, one of each kind; all of it invented."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

from msgspec.json import Encoder

from drainledger.domain.quantities import Units
from drainledger.domain.validation import Outcome, Parsed, Refused, read

#: Given as a change, takes the field away.
GONE: Final = object()

SOURCE: Final = "ward-tablet"
RECEIVED_AT: Final = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
UNITS: Final = Units(
    {"cc": "mL", "ml": "mL", "l": "L", "cmH2O": "cm[H2O]", "mmHg": "mm[Hg]", "lb": "[lb_av]"},
    {"oz": "write foz_us or foz_br."},
)

_ENCODER: Final = Encoder(decimal_format="number")


def millilitres(value: object) -> dict[str, object]:
    return {"value": value, "unit": "mL"}


def centimetres(value: object) -> dict[str, object]:
    return {"value": value, "unit": "cm[H2O]"}


def reading(**changes: object) -> dict[str, Any]:
    return _changed(
        {
            "record": "reading",
            "id": "r-1",
            "drain": "drn-7",
            "at": "2026-03-02T07:00:00+00:00",
            "level": millilitres(40),
        },
        changes,
    )


def event(kind: object, **changes: object) -> dict[str, Any]:
    base = {
        "record": "event",
        "id": "ev-1",
        "kind": kind,
        "drain": "drn-7",
        "at": "2026-03-02T06:00:00+00:00",
    }
    return _changed(base, changes)


def drain(**changes: object) -> dict[str, Any]:
    return _changed(
        {
            "record": "drain",
            "id": "drn-7",
            "patient": {"system": "https://ward.example/mrn", "value": "P-1042"},
            "time_zone": "Europe/Lisbon",
        },
        changes,
    )


def collector(**changes: object) -> dict[str, Any]:
    return _changed({"record": "collector", "id": "col-3", "profile": "adult-single"}, changes)


def correction(**changes: object) -> dict[str, Any]:
    return _changed(
        {"record": "correction", "id": "c-1", "corrects": "r-1", "made_at": "2026-03-02T09:10:00+00:00"},
        changes,
    )


def retraction(**changes: object) -> dict[str, Any]:
    return _changed(
        {"record": "retraction", "id": "x-1", "retracts": "r-1", "made_at": "2026-03-02T09:12:00+00:00"},
        changes,
    )


def as_bytes(record: bytes | Mapping[str, Any]) -> bytes:
    return record if isinstance(record, bytes) else _ENCODER.encode(record)


def outcome(record: bytes | Mapping[str, Any], received_at: datetime | None = RECEIVED_AT) -> Outcome:
    return read(as_bytes(record), source=SOURCE, units=UNITS, received_at=received_at)


def refused(record: bytes | Mapping[str, Any]) -> Refused:
    result = outcome(record)
    assert isinstance(result, Refused), result
    return result


def parsed(record: bytes | Mapping[str, Any]) -> Parsed:
    result = outcome(record)
    assert isinstance(result, Parsed), result
    return result


def _changed(base: dict[str, Any], changes: Mapping[str, object]) -> dict[str, Any]:
    """`base` with `changes`; a trailing underscore is for Python alone (`from_`)."""
    record = {**base, **{name.rstrip("_"): value for name, value in changes.items()}}
    return {name: value for name, value in record.items() if value is not GONE}
