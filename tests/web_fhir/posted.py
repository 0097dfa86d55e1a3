"""Bundles, and Observations posted to a running service."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from drainledger.fhir.fragments import encode
from tests.web.http import Answered, Http
from tests.web.ward import BED

Json = dict[str, Any]

FHIR_JSON = {"Content-Type": "application/fhir+json"}


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
