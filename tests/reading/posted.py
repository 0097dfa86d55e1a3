"""Observations as a charting tool would post them. Everything in them is invented."""

from __future__ import annotations

from typing import Any

from tests.fhir.samples import BASE

Json = dict[str, Any]

LOCAL = f"{BASE}/CodeSystem/chest-drain"
UCUM = "http://unitsofmeasure.org"
MRN = "https://ward.example/mrn"
CHART = "https://chart.example/readings"
PATIENT = "P-1042"
DRAIN: Json = {"type": "Device", "identifier": {"system": f"{BASE}/sid/device", "value": "drain.drn-7"}}
NURSE: Json = {
    "type": "Practitioner",
    "identifier": {"system": "https://ward.example/staff", "value": "N-88"},
}


def concept(code: str, system: str = LOCAL) -> Json:
    return {"coding": [{"system": system, "code": code}]}


def quantity(value: object, code: str = "mL") -> Json:
    return {"value": value, "unit": code, "system": UCUM, "code": code}


def observation(code: str, at: str = "07:00", ident: str | None = "a-1", **more: Any) -> Json:
    """Of drain drn-7 on 2 March 2026. None takes an element out."""
    made: Json = {
        "resourceType": "Observation",
        "identifier": None if ident is None else [{"system": CHART, "value": ident}],
        "status": "final",
        "code": concept(code),
        "subject": {"type": "Patient", "identifier": {"system": MRN, "value": PATIENT}},
        "focus": [DRAIN],
        "effectiveDateTime": f"2026-03-02T{at}:00+00:00",
        "performer": [NURSE],
    }
    return {name: value for name, value in (made | more).items() if value is not None}


def level(value: object = 40, at: str = "07:00", ident: str | None = "a-1", **more: Any) -> Json:
    return observation("chamber-level", at, ident, **({"valueQuantity": quantity(value)} | more))


def amount(value: object, start: str, end: str, ident: str | None = "v-1", **more: Any) -> Json:
    """By LOINC alone."""
    period = {"start": f"2026-03-02T{start}:00+00:00", "end": f"2026-03-02T{end}:00+00:00"}
    named = {"effectiveDateTime": None, "effectivePeriod": period, "valueQuantity": quantity(value)}
    loinc = {"code": concept("9129-8", "http://loinc.org")}
    return observation("interval-output", end, ident, **(named | more)) | loinc
