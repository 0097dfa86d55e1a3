"""The tables, column by column."""

from __future__ import annotations

import re
from typing import Final

from drainledger.fhir.tables.columns import (
    UNCERTAINTY,
    Cell,
    Column,
    Json,
    Table,
    component,
    last,
    number,
    period_columns,
    quantity,
    time_columns,
)

_LAST: Final = ".replaceMatches('^.*/', '')"
_NUMBER: Final = "value.ofType(Quantity)"
_NAME_OF_WINDOW: Final = r"^window[.][^.]*[.]([^.]*)[.]([^.]*)[.][^.]*$"

_ABOUT: Final = (
    Column("observation_id", "text", "id of the Observation", "id", lambda one: one["id"]),
    Column(
        "patient_id",
        "text",
        "id of the Patient; no record number",
        f"subject.reference{_LAST}",
        lambda one: last(one["subject"]),
    ),
)
_DRAIN: Final = Column(
    "drain_id",
    "text",
    "id of the drain's Device",
    f"focus.first().reference{_LAST}",
    lambda one: last(one["focus"][0]),
)
_STATUS: Final = Column(
    "status",
    "text",
    "preliminary, final, amended or corrected; entered-in-error is left out",
    "status",
    lambda one: one["status"],
)


def _bound(one: Json) -> Cell:
    if not quantity(one):
        return "unknown"
    return "at-least" if quantity(one).get("comparator") == ">=" else "exact"


_BOUND: Final = Column(
    "bound",
    "text",
    "exact, at-least (the amount is a lower bound) or unknown (no amount)",
    f"iif(value.empty(), 'unknown', iif({_NUMBER}.comparator = '>=', 'at-least', 'exact'))",
    _bound,
)


def _amount(name: str, meaning: str) -> Column:
    return Column(
        name, "decimal", meaning, f"{_NUMBER}.value", lambda one: number(quantity(one).get("value")), "mL"
    )


def _deviation(name: str) -> Column:
    return Column(
        name,
        "decimal",
        "standard deviation from the scale's resolution alone",
        f"{_NUMBER}.extension.where(url = '{UNCERTAINTY}').value.ofType(decimal)",
        lambda one: number(
            next(
                (
                    each["valueDecimal"]
                    for each in quantity(one).get("extension", ())
                    if each["url"] == UNCERTAINTY
                ),
                None,
            )
        ),
        "mL",
    )


def _part_path(code: str) -> str:
    return f"component.where(code.coding.where(system = %local and code = '{code}').exists()).value"


def _part_number(name: str, code: str, meaning: str, unit: str) -> Column:
    return Column(
        name,
        "decimal",
        meaning,
        f"{_part_path(code)}.ofType(Quantity).value",
        lambda one: number(quantity(component(one, code)).get("value")),
        unit,
    )


INTERVALS: Final = Table(
    name="intervals",
    title="What a drain put out between two readings. Add up output_ml: nothing is counted twice",
    codes=("interval-output",),
    loinc="9129-8",
    time="end",
    columns=(
        *_ABOUT,
        _DRAIN,
        Column(
            "metric_id",
            "text",
            "id of the DeviceMetric of the chamber that was read; null where an amount was charted without one",
            f"device.reference{_LAST}",
            lambda one: last(one.get("device")),
        ),
        _STATUS,
        *period_columns(
            "start",
            "end",
            (
                "start of the interval; null where it isn't known",
                "end of the interval: it counts where it ends",
            ),
        ),
        _amount("output_ml", "what came out; null where nobody can know"),
        _BOUND,
        _deviation("output_sd_ml"),
    ),
)


def _net(one: Json) -> Cell:
    stated = quantity(component(one, "net-total")).get("value")
    return number(quantity(one).get("value") if stated is None else stated)


TOTALS: Final = Table(
    name="totals",
    title="A drain's running total at each reading. Never add these up",
    codes=("running-total",),
    time="at",
    columns=(
        *_ABOUT,
        _DRAIN,
        _STATUS,
        *period_columns(
            "since", "at", ("first connection or amount of the drain", "when the total stood so")
        ),
        _amount("total_ml", "all that came out since then"),
        _BOUND,
        _deviation("total_sd_ml"),
        Column(
            "net_ml",
            "decimal",
            "the total less what was put in",
            f"iif({_part_path('net-total')}.exists(), {_part_path('net-total')}.ofType(Quantity).value, "
            f"{_NUMBER}.value)",
            _net,
            "mL",
        ),
    ),
)


def _window_name(group: int) -> tuple[str, str]:
    return f"identifier.first().value.replaceMatches('{_NAME_OF_WINDOW}', '${group}')", rf"\{group}"


def _of_identifier(name: str, meaning: str, group: int) -> Column:
    path, found = _window_name(group)
    return Column(
        name,
        "text",
        meaning,
        path,
        lambda one: re.sub(_NAME_OF_WINDOW, found, one["identifier"][0]["value"]),
    )


def _covered(name: str, end: str) -> tuple[Column, Column]:
    return time_columns(
        name,
        f"{end} of the part of the window in which the drain was charted",
        f"{_part_path('period-covered')}.ofType(Period).{end}",
        lambda one: component(one, "period-covered").get("valuePeriod", {}).get(end),
    )


def _windows(name: str, code: str, amount: Column, title: str) -> Table:
    return Table(
        name=name,
        title=title,
        codes=(code,),
        time="end",
        columns=(
            *_ABOUT,
            _DRAIN,
            _of_identifier("window", "the window's name in windows.toml", 1),
            _of_identifier("day", "local date on which the window starts", 2),
            _STATUS,
            *period_columns("start", "end", ("start of the window, not in it", "end of the window")),
            amount,
            _BOUND,
            _part_number("coverage", "coverage", "share of the window that is known, 0 to 1", "1"),
            *_covered("covered_start", "start"),
            *_covered("covered_end", "end"),
            _part_number(
                "clamped_min", "minutes-clamped", "minutes of the window with the tube clamped", "min"
            ),
        ),
    )


WINDOWS: Final = _windows(
    "windows",
    "charted-total",
    _amount("total_ml", "output of the intervals that end in the window"),
    "What a drain put out in a ward day or a shift, as on paper. Never add up windows that overlap",
)
WINDOW_NETS: Final = _windows(
    "window-nets",
    "charted-net",
    _amount("net_ml", "output of the intervals that end in the window, less what was put in"),
    "The same windows net of what was put in; drain_id, window and day join the two",
)

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
        f"{_part_path(code)}.ofType(CodeableConcept).coding.first().code",
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
_SEVERAL: Final = f"{_part_path(_APPEARANCE)}.ofType(CodeableConcept).coding.where(system = %local).code"
_CONCEPT: Final = "value.ofType(CodeableConcept)"

_SAID: Final = (
    Column(
        "value_number",
        "decimal",
        "a number, in `unit`; suction and other negative pressures are below 0",
        f"{_NUMBER}.value",
        lambda one: number(quantity(one).get("value")),
    ),
    Column("unit", "text", "UCUM code", f"{_NUMBER}.code", lambda one: quantity(one).get("code")),
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
        f"{_part_path('pinch-test-site')}.ofType(string)",
        lambda one: component(one, "pinch-test-site").get("valueString"),
    ),
    _part_code("pinched_result", "pinch-test-result", "what the bubbling did then"),
    _part_number("tidaling_swing_cm_h2o", "tidaling-swing", "how far the column swings", "cm[H2O]"),
)

CHECKS: Final = (
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


def _word(one: Json) -> Cell:
    if "valueString" in one:
        text: str = one["valueString"]
        return text
    concept = _concept(one)
    return None if concept.get("coding") else concept.get("text")


def _saying(part: Column) -> tuple[Column, ...]:
    """What an Observation or one of its components says; `part` is the column that tells them apart."""
    concept = "value.ofType(CodeableConcept)"
    return (
        part,
        Column(
            "value_number",
            "decimal",
            "a number, in `unit`; suction and negative pressure are below 0",
            f"{_NUMBER}.value",
            lambda one: number(quantity(one).get("value")),
        ),
        Column("unit", "text", "UCUM code", f"{_NUMBER}.code", lambda one: quantity(one).get("code")),
        Column(
            "value_code",
            "text",
            "a local code",
            f"{concept}.coding.first().code",
            lambda one: _local_code(_concept(one)),
        ),
        Column(
            "value_text",
            "text",
            "words for which there is no code",
            f"iif(value.ofType(string).exists(), value.ofType(string), {concept}.where(coding.empty()).text)",
            _word,
        ),
        Column(
            "absent_reason",
            "text",
            "why there is no value: not-performed (not assessed), error (can't be so)",
            "dataAbsentReason.coding.first().code",
            lambda one: _local_code(one.get("dataAbsentReason", {})),
        ),
    )


CHECKS: Final = Table(
    name="checks",
    title="What was seen at the bedside beside the level: a row a thing, reading_id holds those of one reading together",
    codes=_CHECKS,
    time="at",
    columns=(
        *_ABOUT,
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
            f"focus.first().reference{_LAST}",
            lambda one: last(one["focus"][0]),
        ),
        Column(
            "device_id",
            "text",
            "id of the unit's Device or DeviceMetric that showed it",
            f"device.reference{_LAST}",
            lambda one: last(one.get("device")),
        ),
        _STATUS,
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

TABLES: Final = {table.name: table for table in (INTERVALS, TOTALS, WINDOWS, WINDOW_NETS, CHECKS)}

#: Who the patient is, only where it is asked for: in no ViewDefinition.
IDENTIFIERS: Final = (
    Column(
        "patient_system",
        "text",
        "who gave the record number",
        "subject.identifier.system",
        lambda one: one["subject"]["identifier"]["system"],
    ),
    Column(
        "patient_number",
        "text",
        "the record number",
        "subject.identifier.value",
        lambda one: one["subject"]["identifier"]["value"],
    ),
)
