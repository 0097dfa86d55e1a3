"""One service with the scene in it, and what the clients are to find there."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import pytest

from drainledger.fhir.fragments import encode
from drainledger.rest.stored import decode
from tests.acceptance.converted import converted, parsed, write_conformance
from tests.acceptance.processes import key_for, started
from tests.clients import scene
from tests.clients.recorder import Recorder, recording
from tests.harness import models, node

TENANT = "clients"


@dataclass(frozen=True)
class Ward:
    """`base` is the service's own address, `key` an API key that may read and write."""

    base: str
    key: str

    def get(self, path: str) -> dict[str, Any]:
        headers = {"Authorization": f"Bearer {self.key}"}
        answer = httpx.get(self.base + path, headers=headers, trust_env=False, timeout=60)
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def day_output(self) -> Decimal:
        """The patient's output of the day as the ledger's windows have it."""
        total = Decimal(0)
        start, end = (instant.isoformat() for instant in scene.DAY)
        for drain in scene.DRAINS:
            (day,) = [
                window
                for window in self.get(f"/v1/drains/{drain}/windows")["windows"]
                if (window["name"], window["start"], window["end"]) == ("ward-day", start, end)
            ]
            total += Decimal(day["total_ml"])
        return total

    def interval_ml(self, drain: str, record: str) -> Decimal:
        """The output of the interval that a record ends."""
        ledger = self.get(f"/v1/drains/{drain}/ledger")["drains"][0]
        (found,) = [each for each in ledger["intervals"] if each["records"][-1] == record]
        return Decimal(found["output_ml"])


@pytest.fixture(scope="session")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ward]:
    with started("sqlite", tmp_path_factory.mktemp("clients")) as (store, services):
        found = Ward(services[0].base, key_for(store, TENANT))
        headers = {"Authorization": f"Bearer {found.key}", "Content-Type": "application/x-ndjson"}
        # What is corrected was emitted before: the correction comes in a call of its own.
        for is_correction in (False, True):
            records = [each for each in scene.scene() if (each["record"] == "correction") is is_correction]
            body = b"\n".join(json.dumps(record).encode() for record in records)
            url = found.base + "/v1/records"
            answer = httpx.post(url, content=body, headers=headers, trust_env=False, timeout=300)
            assert answer.status_code == 200, answer.text[:2000]
        yield found


@pytest.fixture(scope="session")
def many_observations() -> set[str]:
    """The ids of all Observations of the drain that was read often, as `convert` gives them."""
    lines = [json.dumps(record).encode() for record in scene.scene()]
    made = parsed(converted(lines, tenant=TENANT, secret=b"of-these-tests-alone"))
    (patient,) = {
        each["id"]
        for each in made
        if each["resourceType"] == "Patient" and each["identifier"][0]["value"] == scene.MANY
    }
    return {
        each["id"]
        for each in made
        if each["resourceType"] == "Observation" and each["subject"]["reference"] == f"Patient/{patient}"
    }


@pytest.fixture
def recorded(ward: Ward) -> Iterator[Recorder]:
    with recording(ward.base) as recorder:
        yield recorder


@pytest.fixture(scope="session")
def conformance(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_conformance(tmp_path_factory.mktemp("r4"), "R4")


_known_valid: set[bytes] = set()


def assert_valid(recorder: Recorder, conformance: Path) -> None:
    """Every answer that was recorded is FHIR, by validators that nobody here wrote (CHECKS 'FHIR'); of a page what was
    on another page before, to the byte, is looked at once."""
    bodies = [answer.body for answer in recorder.answers if answer.body]
    assert bodies
    types = {answer.media_type.partition(";")[0] for answer in recorder.answers}
    assert types == {"application/fhir+json"}
    fresh = [_without_known(body).decode() for body in bodies]
    assert node.judge(fresh, conformance, whole_set=False).problems == []
    assert models.check_models(fresh, fhir="R4") == []


def _without_known(body: bytes) -> bytes:
    told = decode(body)
    for entry in list(told.get("entry", ())):
        if entry.get("search", {}).get("mode") != "match" or len(told["entry"]) == 1:
            continue
        if (content := encode(entry["resource"])) in _known_valid:
            told["entry"].remove(entry)
        _known_valid.add(content)
    return encode(told)
