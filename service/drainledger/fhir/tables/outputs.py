"""What a drain put out: intervals, running totals, charted windows."""

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
from drainledger.fhir.tables.shared import ABOUT, DRAIN, LAST, NUMBER, STATUS, part_number, part_path

_NAME_OF_WINDOW: Final = r"^window[.][^.]*[.]([^.]*)[.]([^.]*)[.][^.]*$"


def _bound(one: Json) -> Cell:
    if not quantity(one):
        return "unknown"
    return "at-least" if quantity(one).get("comparator") == ">=" else "exact"


_BOUND: Final = Column(
    "bound",
    "text",
    "exact, at-least (the amount is a lower bound) or unknown (no amount)",
    f"iif(value.empty(), 'unknown', iif({NUMBER}.comparator = '>=', 'at-least', 'exact'))",
    _bound,
)


def _amount(name: str, meaning: str) -> Column:
    return Column(
        name, "decimal", meaning, f"{NUMBER}.value", lambda one: number(quantity(one).get("value")), "mL"
    )


def _deviation(name: str) -> Column:
    return Column(
        name,
        "decimal",
        "standard deviation from the scale's resolution alone",
        f"{NUMBER}.extension.where(url = '{UNCERTAINTY}').value.ofType(decimal)",
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


INTERVALS: Final = Table(
    name="intervals",
    title="What a drain put out between two readings. Add up output_ml: nothing is counted twice",
    codes=("interval-output",),
    loinc="9129-8",
    time="end",
    columns=(
        *ABOUT,
        DRAIN,
        Column(
            "metric_id",
            "text",
            "id of the DeviceMetric of the chamber that was read; null where an amount was charted without one",
            f"device.reference{LAST}",
            lambda one: last(one.get("device")),
        ),
        STATUS,
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
        *ABOUT,
        DRAIN,
        STATUS,
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
            f"iif({part_path('net-total')}.exists(), {part_path('net-total')}.ofType(Quantity).value, "
            f"{NUMBER}.value)",
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
        f"{part_path('period-covered')}.ofType(Period).{end}",
        lambda one: component(one, "period-covered").get("valuePeriod", {}).get(end),
    )


def _windows(name: str, code: str, amount: Column, title: str) -> Table:
    return Table(
        name=name,
        title=title,
        codes=(code,),
        time="end",
        columns=(
            *ABOUT,
            DRAIN,
            _of_identifier("window", "the window's name in windows.toml", 1),
            _of_identifier("day", "local date on which the window starts", 2),
            STATUS,
            *period_columns("start", "end", ("start of the window, not in it", "end of the window")),
            amount,
            _BOUND,
            part_number("coverage", "coverage", "share of the window that is known, 0 to 1", "1"),
            *_covered("covered_start", "start"),
            *_covered("covered_end", "end"),
            part_number(
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
