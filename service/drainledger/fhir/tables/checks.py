"""What was looked at beside the level."""

from __future__ import annotations

import re
from typing import Final

from drainledger.fhir.tables.columns import (
    Cell,
    Column,
    Json,
    Table,
    component,
    last,
    number,
    quantity,
    time_columns,
)
from drainledger.fhir.tables.shared import ABOUT, LAST, NUMBER, STATUS, part_number, part_path

_CHECKS: Final = (
    "suction-prescribed",
    "suction-set",
    "suction-applied",
    "drain-pressure",
    "air-leak-grade",
    "air-leak-flow",
    "time-since-air-leak",
    "bubbling-pattern",
    "tidaling",
    "patency",
    "fluid-appearance",
)


def _local_code(one: Json) -> Cell:
    """The first code of a code or value: the local one stands first."""
    codings = one.get("coding", ())
    return codings[0]["code"] if codings else None


def _concept(one: Json) -> Json:
    found: Json = one.get("valueCodeableConcept", {})
    return found


def _part_code(name: str, code: str, meaning: str) -> Column:
    return Column(
        name,
        "text",
        meaning,
        f"{part_path(code)}.ofType(CodeableConcept).coding.first().code",
        lambda one: _local_code(_concept(component(one, code))),
    )


def _value_code(one: Json) -> Cell:
    own = _local_code(_concept(one))
    if own is not None:
        return own
    several = [
        _local_code(_concept(part))
        for part in one.get("component", ())
        if _local_code(part["code"]) == _APPEARANCE
    ]
    return " ".join(str(code) for code in several if code is not None) or None


_APPEARANCE: Final = "fluid-appearance"
_SEVERAL: Final = f"{part_path(_APPEARANCE)}.ofType(CodeableConcept).coding.where(system = %local).code"
_CONCEPT: Final = "value.ofType(CodeableConcept)"

_SAID: Final = (
    Column(
        "value_number",
        "decimal",
        "a number, in `unit`; suction and other negative pressures are below 0",
        f"{NUMBER}.value",
        lambda one: number(quantity(one).get("value")),
    ),
    Column("unit", "text", "UCUM code", f"{NUMBER}.code", lambda one: quantity(one).get("code")),
    Column(
        "value_code",
        "text",
        "a local code; several of an appearance with a space between",
        f"iif({_CONCEPT}.exists(), {_CONCEPT}.coding.first().code, "
        f"iif({_SEVERAL}.exists(), {_SEVERAL}.join(' '), {{}}))",
        _value_code,
    ),
    Column(
        "value_text",
        "text",
        "words for which the site has no code",
        f"{_CONCEPT}.where(coding.empty()).text",
        lambda one: None if _concept(one).get("coding") else _concept(one).get("text"),
    ),
    Column(
        "absent_reason",
        "text",
        "why there is no value: not-performed (not assessed), error (can't be so); null where parts alone were told",
        "dataAbsentReason.coding.first().code",
        lambda one: _local_code(one.get("dataAbsentReason", {})),
    ),
    _part_code(
        "suction_mode", "suction-mode", "suction as found, on the first of a reading's suction checks"
    ),
    _part_code(
        "suction_indicator", "suction-indicator", "whether the unit showed the suction reached, there too"
    ),
    _part_code(
        "leak_provoked_by", "leak-provoked-by", "what made it bubble, on the first of the leak checks"
    ),
    Column(
        "pinched_at",
        "text",
        "where the tube was pinched to find a leak, there too",
        f"{part_path('pinch-test-site')}.ofType(string)",
        lambda one: component(one, "pinch-test-site").get("valueString"),
    ),
    _part_code("pinched_result", "pinch-test-result", "what the bubbling did then"),
    part_number("tidaling_swing_cm_h2o", "tidaling-swing", "how far the column swings", "cm[H2O]"),
)


CHECKS: Final = Table(
    name="checks",
    title="What was looked at beside the level: a row a check; those of one reading share reading_id",
    codes=_CHECKS,
    time="at",
    columns=(
        *ABOUT,
        Column(
            "reading_id",
            "text",
            "what the ids of all of a reading's resources begin with",
            "id.replaceMatches('[.].*$', '')",
            lambda one: re.sub("[.].*$", "", one["id"]),
        ),
        Column(
            "focus_id",
            "text",
            "id of the Device that it is about: the drain, or for suction the unit, which drains may share",
            f"focus.first().reference{LAST}",
            lambda one: last(one["focus"][0]),
        ),
        Column(
            "device_id",
            "text",
            "id of the unit's Device or DeviceMetric that showed it",
            f"device.reference{LAST}",
            lambda one: last(one.get("device")),
        ),
        STATUS,
        *time_columns("at", "when", "effective.ofType(dateTime)", lambda one: one["effectiveDateTime"]),
        Column(
            "check",
            "text",
            "local code of what was looked at",
            "code.coding.where(system = %local).first().code",
            lambda one: _local_code(one["code"]),
        ),
        Column(
            "scale",
            "text",
            "which scale a grade is on; a grade without its scale means nothing",
            "iif(method.coding.exists(), method.coding.first().code, method.text)",
            lambda one: _local_code(one.get("method", {})) or one.get("method", {}).get("text"),
        ),
        *_SAID,
    ),
)
