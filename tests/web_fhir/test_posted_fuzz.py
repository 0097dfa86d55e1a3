"""Anything posted to FHIR's writing routes: a declared answer, never a fault (R4 http.html#create, #transaction)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drainledger.fhir.fragments import encode
from tests.reading.posted import level
from tests.reading.test_fuzz import ANYTHING, mutated
from tests.web.http import Http, caller, settings_for
from tests.web_fhir.posted import FHIR_JSON, bed, bundle, entry

DECLARED = {200, 201, 202, 400, 409, 412, 422}
PATHS = ("/fhir/R4/Observation", "/fhir/R5/Observation", "/fhir/R4/Observation/$validate", "/fhir/R5")
SETTINGS = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture(scope="module")
def open_ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Http]:
    folder: Path = tmp_path_factory.mktemp("fuzz")
    with caller(settings_for(folder)) as http:
        bed(http)
        yield http


def sent(http: Http, path: str, body: object) -> None:
    try:
        content = encode(body)
    except UnicodeEncodeError:  # a lone surrogate: not to be written as UTF-8
        content = json.dumps(body, default=str).encode()
    answered = http.call("POST", path, content=content, headers=FHIR_JSON)
    assert answered.status_code in DECLARED, (answered.status_code, answered.text[:300])
    if answered.status_code >= 400:
        assert json.loads(answered.content)["resourceType"] == "OperationOutcome"


@SETTINGS
@given(st.sampled_from(PATHS), mutated() | ANYTHING)
def test_resources(open_ward: Http, path: str, body: Any) -> None:
    sent(open_ward, path, body)


@SETTINGS
@given(st.sampled_from(("batch", "transaction")), st.lists(mutated() | ANYTHING, max_size=3), ANYTHING)
def test_bundles(open_ward: Http, kind: str, resources: list[Any], request: Any) -> None:
    entries = [entry(one, f"urn:{place}") for place, one in enumerate(resources)]
    sent(open_ward, "/fhir/R4", bundle(kind, *entries, {"request": request, "resource": level(1)}))
    sent(open_ward, "/fhir/R5", bundle(kind, *entries))
