"""Observations as a charting tool would post them. Everything in them is invented."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from drainledger.fhir.fragments import encode
from tests.fhir.samples import BASE
from tests.web.http import Answered, Http
from tests.web.ward import BED, PATIENT

Json = dict[str, Any]

LOCAL = f"{BASE}/CodeSystem/chest-drain"
UCUM = "http://unitsofmeasure.org"
MRN = "https://ward.example/mrn"
CHART = "https://chart.example/readings"
FHIR_JSON = {"Content-Type": "application/fhir+json"}
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


def entry(resource: Json, full_url: str | None = None, **request: str) -> Json:
    url = {} if full_url is None else {"fullUrl": full_url}
    return {**url, "resource": resource, "request": {"method": "POST", "url": "Observation", **request}}


def bundle(kind: str, *entries: Json) -> Json:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def bed(http: Http) -> None:
    assert http.post(*BED).status_code == 200


def post(http: Http, body: Json | bytes, path: str = "/fhir/R4/Observation", **headers: str) -> Answered:
    content = body if isinstance(body, bytes) else encode(body)
    return http.call("POST", path, content=content, headers={**FHIR_JSON, **headers})


def issues(answered: Answered) -> list[Json]:
    body = json.loads(answered.content, parse_float=Decimal)
    assert body["resourceType"] == "OperationOutcome", body
    found: list[Json] = body["issue"]
    return found


def said(answered: Answered, severity: str = "error") -> list[tuple[str, str]]:
    """Code and first expression of each issue of a severity."""
    return [
        (one["code"], one.get("expression", [""])[0])
        for one in issues(answered)
        if one["severity"] == severity
    ]


def ledger(http: Http, drain: str = "drn-7") -> Json:
    return ledger_in(http.get(f"/v1/drains/{drain}/ledger"))


def ledger_in(answered: Answered) -> Json:
    (found,) = json.loads(answered.content)["drains"]
    assert isinstance(found, dict)
    return found
