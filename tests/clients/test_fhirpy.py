"""`fhirpy` (PyPI) as an analyst uses it."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import OperationOutcome

from tests.clients import scene
from tests.clients.conftest import Ward, assert_valid
from tests.clients.recorder import Recorder
from tests.clients.transactions import first_free_instant, look


@pytest.fixture
def client(ward: Ward, recorded: Recorder) -> SyncFHIRClient:
    return SyncFHIRClient(f"{recorded.base}/fhir/R4", authorization=f"Bearer {ward.key}")


def patient_of(client: SyncFHIRClient, value: str) -> str:
    found = client.resources("Patient").search(identifier=f"{scene.SYSTEM}|{value}").get()
    return f"Patient/{found.id}"


def test_a_day_adds_up(client: SyncFHIRClient, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    start, end = (instant.isoformat() for instant in scene.DAY)
    found = (
        client.resources("Observation")
        .search(patient=patient_of(client, scene.PATIENT), code="http://loinc.org|9129-8")
        .search(**{"period-end": [f"gt{start}", f"le{end}"]})
        .fetch_all()
    )
    values = [Decimal(str(each["valueQuantity"]["value"])) for each in found if "valueQuantity" in each]
    assert sum(values) == ward.day_output() > 0
    assert_valid(recorded, conformance)


def test_ten_thousand_a_page_at_a_time(
    client: SyncFHIRClient, many_observations: set[str], recorded: Recorder, conformance: Path
) -> None:
    observations = client.resources("Observation").search(patient=patient_of(client, scene.MANY))
    assert observations.count() == len(many_observations) > 10_000
    ids = [each.id for each in observations.limit(250)]
    assert len(ids) == len(set(ids))
    assert set(ids) == many_observations
    assert_valid(recorded, conformance)


def test_a_version(client: SyncFHIRClient, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    """The interval that the corrected reading ends, before and after."""
    value = f"ward.{scene.CORRECTED}.interval-output"
    now = client.resources("Observation").search(identifier=value).get()
    before = client.execute(f"Observation/{now.id}/_history/1", "get")
    wanted = ward.interval_ml("drn-left", scene.CORRECTED)
    assert Decimal(str(now["valueQuantity"]["value"])) == wanted
    assert Decimal(str(before["valueQuantity"]["value"])) == wanted + 2
    assert (before.meta.versionId, before.status) == ("1", "final")
    assert int(now.meta.versionId) > 1
    assert_valid(recorded, conformance)


def test_a_transaction(client: SyncFHIRClient, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    patient = patient_of(client, scene.PATIENT)
    drain = client.resources("Device").search(identifier="drain.drn-left", type="drain-catheter").get()
    at, level = first_free_instant(10), 1200
    bundle = look(f"Device/{drain.id}", patient, at, "fhirpy", level)
    told = client.execute("", "post", data=bundle)
    assert [entry.response.status.split()[0] for entry in told.entry] == ["201"] * 3
    again = client.execute("", "post", data=bundle)
    assert [entry.response.status.split()[0] for entry in again.entry] == ["200"] * 3
    made = client.execute(told.entry[0].response.location, "get")
    assert made["valueQuantity"]["value"] == level
    assert_valid(recorded, conformance)


def test_an_error_is_an_outcome(client: SyncFHIRClient, recorded: Recorder, conformance: Path) -> None:
    with pytest.raises(OperationOutcome) as refused:
        client.resources("Observation").search(date="yesterday").fetch()
    assert refused.value.resource["issue"][0]["diagnostics"]
    assert_valid(recorded, conformance)
