"""Which standard code may stand on which local code, and the unit in which each local code's values are written.

Both are held to when codes.toml is read, for neither is a matter of taste at a site: a code that is right for one
thing is wrong for its neighbour, and values go out as the arithmetic has them, never converted.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

LOINC: Final = "http://loinc.org"
SNOMED: Final = "http://snomed.info/sct"
MDC: Final = "urn:iso:std:iso:11073:10101"
V2_0550: Final = "http://terminology.hl7.org/CodeSystem/v2-0550"


class Verified(NamedTuple):
    """The local codes that a standard code was looked up for, and why it fits no other."""

    stands_on: frozenset[str]
    reason: str


def _on(*codes: str, because: str) -> Verified:
    return Verified(frozenset(codes), because)


#: (system, code) -> what it was verified for; codes.toml names the place. A code from memory is not among them.
VERIFIED: Final[Mapping[tuple[str, str], Verified]] = {
    (LOINC, "9129-8"): _on(
        "interval-output",
        because="adding up its values gives the output, so each drop may carry it once and nothing else may",
    ),
    (LOINC, "81664-5"): _on("drain-number", because="it identifies a drain and measures nothing"),
    (SNOMED, "251843005"): _on("interval-output", because="it means fluid that a drain put out"),
    (MDC, "157740"): _on("chamber-level", because="it means what a container holds, which is no output"),
    (V2_0550, "PLEUR"): _on(
        "site-pleural",
        "site-left-pleural",
        "site-right-pleural",
        because="it means the pleura",
    ),
    (V2_0550, "MEDST"): _on(
        "site-mediastinal",
        "site-left-mediastinal",
        "site-right-mediastinal",
        because="it means the mediastinum",
    ),
    (V2_0550, "CHEST"): _on("site-chest", because="it names a tube in the chest, not a side of it"),
}

#: The code by which a plain sum gives the output, and the one local code that carries it.
SUMMED: Final = (LOINC, "9129-8")
SUMMED_ON: Final = "interval-output"

#: (kind, local code) -> the UCUM unit of its values (DESIGN 4: mL, cm[H2O], gauge; 3 'Quantities'). The others that
#: observations and components hold are words, times or text, and have no unit.
UNITS: Final[Mapping[tuple[str, str], str]] = {
    **{
        ("observation", code): unit
        for unit, codes in {
            "mL": (
                "chamber-level",
                "interval-output",
                "running-total",
                "charted-total",
                "charted-net",
                "irrigant-instilled",
                "sample-withdrawn",
                "volume-reinfused",
            ),
            "mL/h": ("output-rate",),
            "mL/(kg.h)": ("output-rate-per-weight",),
            "cm[H2O]": ("suction-prescribed", "suction-set", "suction-applied", "drain-pressure"),
            "{score}": ("air-leak-grade",),
            "mL/min": ("air-leak-flow",),
            "h": ("time-since-air-leak",),
        }.items()
        for code in codes
    },
    ("component", "coverage"): "1",
    ("component", "minutes-clamped"): "min",
    ("component", "net-total"): "mL",
    ("component", "tidaling-swing"): "cm[H2O]",
    ("property_type", "capacity"): "mL",
    ("property_type", "graduation"): "mL",
    ("property_type", "chamber-count"): "1",
}
#: Local codes that stand without a unit.
WORDS: Final[frozenset[tuple[str, str]]] = frozenset(
    [
        ("observation", "bubbling-pattern"),
        ("observation", "tidaling"),
        ("observation", "patency"),
        ("observation", "fluid-appearance"),
        ("observation", "drain-panel"),
        ("component", "drain-number"),
        ("component", "period-covered"),
        ("component", "suction-mode"),
        ("component", "suction-indicator"),
        ("component", "leak-provoked-by"),
        ("component", "pinch-test-site"),
        ("component", "pinch-test-result"),
    ]
)
