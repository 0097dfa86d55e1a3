"""`fhirclient` (PyPI), whose models refuse what is not R4."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from fhirclient.client import FHIRClient
from fhirclient.models.bundle import Bundle
from fhirclient.models.device import Device
from fhirclient.models.observation import Observation
from fhirclient.models.patient import Patient

from tests.clients import scene
from tests.clients.conftest import Ward, assert_valid
from tests.clients.recorder import Recorder
from tests.clients.transactions import first_free_instant, look


@pytest.fixture
def server(ward: Ward, recorded: Recorder) -> Any:
    client = FHIRClient(settings={"app_id": "analyst", "api_base": f"{recorded.base}/fhir/R4"})
    client.server.session.headers["Authorization"] = f"Bearer {ward.key}"
    return client.server


def patient_of(server: Any, value: str) -> str:
    (found,) = Patient.where({"identifier": f"{scene.SYSTEM}|{value}"}).perform_resources_iter(server)
    return f"Patient/{found.id}"


def test_it_knows_what_can_be_asked(server: Any, recorded: Recorder, conformance: Path) -> None:
    statement = server.capabilityStatement
    assert statement.fhirVersion == "4.0.1"
    assert {resource.type for resource in statement.rest[0].resource} >= {"Patient", "Device", "Observation"}
    assert_valid(recorded, conformance)


def test_a_day_adds_up(server: Any, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    start, end = (instant.isoformat() for instant in scene.DAY)
    asked = {
        "patient": patient_of(server, scene.PATIENT),
        "code": "http://loinc.org|9129-8",
        "period-end": {"$and": [f"gt{start}", f"le{end}"]},
    }
    found = list(Observation.where(asked).perform_resources_iter(server))
    values = [Decimal(str(each.valueQuantity.value)) for each in found if each.valueQuantity is not None]
    assert sum(values) == ward.day_output() > 0
    assert_valid(recorded, conformance)


def test_ten_thousand_a_page_at_a_time(
    server: Any, many_observations: set[str], recorded: Recorder, conformance: Path
) -> None:
    asked = {"patient": patient_of(server, scene.MANY), "_count": "250"}
    ids = [each.id for each in Observation.where(asked).perform_resources_iter(server)]
    assert len(ids) == len(set(ids)) > 10_000
    assert set(ids) == many_observations
    assert_valid(recorded, conformance)


def test_a_version(server: Any, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    value = f"ward.{scene.CORRECTED}.interval-output"
    (now,) = Observation.where({"identifier": value}).perform_resources_iter(server)
    before = Observation.read(f"{now.id}/_history/1", server)
    wanted = ward.interval_ml("drn-left", scene.CORRECTED)
    assert Decimal(str(now.valueQuantity.value)) == wanted
    assert Decimal(str(before.valueQuantity.value)) == wanted + 2
    assert before.meta.versionId == "1"
    assert_valid(recorded, conformance)


def test_a_transaction(server: Any, recorded: Recorder, conformance: Path) -> None:
    (drain,) = Device.where(
        {"identifier": "drain.drn-left", "type": "drain-catheter"}
    ).perform_resources_iter(server)
    level = 1210
    raw = look(
        f"Device/{drain.id}", patient_of(server, scene.PATIENT), first_free_instant(20), "fhirclient", level
    )
    told = Bundle(server.post_json("", Bundle(raw).as_json()).json())
    assert [entry.response.status.split()[0] for entry in told.entry] == ["201"] * 3
    place = told.entry[0].response.location.split("Observation/")[1]
    assert Observation.read(place, server).valueQuantity.value == level
    assert_valid(recorded, conformance)
