"""Devices, channels, uses, windows and findings, in R4 and R5: the rows of FHIR.md 3 and 5."""

from __future__ import annotations

import json
from base64 import b64decode
from datetime import timedelta
from decimal import Decimal
from typing import Any, Literal

import msgspec
import pytest

from drainledger.domain.entries import CollectorUse, LevelRef
from drainledger.domain.records import Collector, Identifier, Key, Udi
from drainledger.fhir import Fhir, Renderer, Resource
from tests.fhir import samples

DRAINS = {"drn-7": samples.DRAIN}


def renderer(fhir: Fhir = "R4") -> Renderer:
    return Renderer(samples.mappings().codes, fhir=fhir)


def bodies(resources: list[Resource], kind: str) -> list[Any]:
    return [json.loads(each.body, parse_float=Decimal) for each in resources if each.type == kind]


def unit_resources(fhir: Fhir = "R4", profile: str = "adult-single") -> list[Resource]:
    return renderer(fhir).collector(samples.unit(profile), [samples.CONNECTION], DRAINS)


def code_of(concept: Any) -> str:
    return str(concept["coding"][0]["code"])


def test_the_unit() -> None:
    unit, chamber = bodies(unit_resources(), "Device")
    assert code_of(unit["type"]) == "collection-unit"
    assert (unit["lotNumber"], unit["serialNumber"], unit["expirationDate"]) == ("L9", "A1", "2028-01-31")
    stated = {code_of(each["type"]): each["valueQuantity"] for each in unit["property"]}
    assert {code: [each["value"] for each in values] for code, values in stated.items()} == {
        "chamber-count": [1],
        "capacity": [2000],
    }
    assert chamber["parent"]["reference"] == f"Device/{unit['id']}"
    assert "patient" not in unit


def test_the_scanned_code_keeps_its_separator() -> None:
    """R4 Device.udiCarrier.carrierAIDC: base64, since XML could not hold FNC1 (0x1D)."""
    (carrier,) = bodies(unit_resources(), "Device")[0]["udiCarrier"]
    assert b64decode(carrier["carrierAIDC"]) == b"0109506000134352\x1d10L9"
    assert carrier["carrierHRF"] == "(01)09506000134352(10)L9"
    assert carrier["issuer"] == "http://hl7.org/fhir/NamingSystem/gs1-di"


def test_r5_drops_a_carrier_without_device_identifier() -> None:
    scanned = Collector(key=Key("collector", "", "c"), profile="adult-single", udi=Udi(hrf="(10)L9"))
    use = CollectorUse(collector=scanned, profile=samples.unit().profile)
    assert "udiCarrier" in bodies(renderer("R4").collector(use), "Device")[0]
    assert "udiCarrier" not in bodies(renderer("R5").collector(use), "Device")[0]


def test_r5_names_and_values_of_a_device() -> None:
    unit = bodies(unit_resources("R5"), "Device")[0]
    assert unit["name"] == [{"value": samples.unit().profile.display, "type": "user-friendly-name"}]
    assert code_of(unit["type"][0]) == "collection-unit"
    assert [each["valueQuantity"]["value"] for each in unit["property"]] == [1, 2000]
    assert "deviceName" not in unit


@pytest.mark.parametrize(
    ("ended", "status", "state"), [(None, "active", "on"), (samples.at(9), "inactive", "off")]
)
def test_a_unit_is_discarded_when_its_connections_are_over(ended: Any, status: str, state: str) -> None:
    connection = msgspec.structs.replace(samples.CONNECTION, end=ended)
    resources = renderer().collector(samples.unit(), [connection], DRAINS)
    assert {each["status"] for each in bodies(resources, "Device")} == {status}
    assert {each["operationalStatus"] for each in bodies(resources, "DeviceMetric")} == {state}
    (use,) = bodies(resources, "DeviceUseStatement")
    assert use["status"] == ("active" if ended is None else "completed")


def test_one_channel_each() -> None:
    metrics = bodies(unit_resources(profile="powered"), "DeviceMetric")
    assert [code_of(each["type"]) for each in metrics] == ["chamber-level", "drain-pressure", "air-leak-flow"]
    assert metrics[0]["type"]["coding"][1]["code"] == "157740"
    assert metrics[0]["measurementPeriod"] == {"repeat": {"frequency": 1, "period": 1, "periodUnit": "h"}}
    assert "parent" not in metrics[1]


def test_r5_channel_hangs_on_its_chamber() -> None:
    level, pressure, _ = bodies(unit_resources("R5", "powered"), "DeviceMetric")
    chamber = level["device"]["reference"]
    assert chamber.endswith(".chamber.A")
    assert pressure["device"]["reference"] == chamber.removesuffix(".chamber.A")
    assert level["measurementFrequency"] == {
        "value": 1,
        "unit": "per hour",
        "system": "http://unitsofmeasure.org",
        "code": "/h",
    }
    assert not {"source", "parent", "measurementPeriod"} & level.keys()


@pytest.mark.parametrize(
    ("every", "period", "unit", "per_hour"),
    [
        (timedelta(hours=4), 4, "h", "0.25"),
        (timedelta(minutes=30), 30, "min", "2"),
        (timedelta(seconds=90), 90, "s", "40"),
    ],
)
def test_how_often_a_chamber_is_read(every: timedelta, period: int, unit: str, per_hour: str) -> None:
    drains = {"drn-7": msgspec.structs.replace(samples.DRAIN, reads_every=every)}
    r4 = bodies(renderer().collector(samples.unit(), [samples.CONNECTION], drains), "DeviceMetric")[0]
    assert r4["measurementPeriod"]["repeat"] == {"frequency": 1, "period": period, "periodUnit": unit}
    r5 = bodies(renderer("R5").collector(samples.unit(), [samples.CONNECTION], drains), "DeviceMetric")[0]
    assert Decimal(r5["measurementFrequency"]["value"]) == Decimal(per_hour)


def test_the_drain() -> None:
    resources = renderer().drain(samples.DRAIN, removed_at=samples.at(12))
    (patient,) = bodies(resources, "Patient")
    assert patient.keys() == {"resourceType", "id", "identifier"}
    (tube,) = bodies(resources, "Device")
    assert (code_of(tube["type"]), tube["status"]) == ("drain-catheter", "inactive")
    (use,) = bodies(resources, "DeviceUseStatement")
    assert use["timingPeriod"] == {"start": "2026-03-02T05:40:00+00:00", "end": "2026-03-02T12:00:00+00:00"}
    assert use["status"] == "completed"
    assert [each["code"] for each in use["bodySite"]["coding"]] == ["site-left-pleural", "PLEUR"]
    (origin,) = bodies(resources, "Provenance")
    assert len(origin["target"]) == 3


def test_a_drain_without_any_time_says_that_its_provenance_has_none() -> None:
    bare = msgspec.structs.replace(samples.DRAIN, inserted_at=None)
    (origin,) = bodies(renderer().drain(bare), "Provenance")
    assert "recorded" not in origin
    assert origin["_recorded"]["extension"][0]["valueCode"] == "unknown"


def test_a_retracted_drain_is_entered_in_error() -> None:
    resources = renderer().drain(samples.DRAIN, retracted=True, stamp=samples.at(9))
    assert bodies(resources, "Device")[0]["status"] == "entered-in-error"
    assert bodies(resources, "DeviceUseStatement")[0]["status"] == "entered-in-error"


def test_a_chamber_serving_a_drain_names_it() -> None:
    statement, origin = renderer().connection(samples.CONNECTION, samples.DRAIN, stamp=samples.at(6))
    body = json.loads(statement.body)
    assert body["extension"][0]["url"].endswith("/StructureDefinition/connected-drain")
    assert body["extension"][0]["valueReference"]["reference"] == f"Device/{renderer().ids.drain('drn-7')}"
    assert body["device"]["reference"].endswith(".chamber.A")
    assert statement.reference in origin.body.decode()


def test_r5_device_usage() -> None:
    statement, _ = renderer("R5").connection(samples.CONNECTION, samples.DRAIN, stamp=samples.at(6))
    body = json.loads(statement.body)
    assert (statement.type, body["resourceType"]) == ("DeviceUsage", "DeviceUsage")
    assert body["patient"]["type"] == "Patient"
    assert body["device"]["reference"]["type"] == "Device"
    assert code_of(body["bodySite"]["concept"]) == "site-left-pleural"
    assert "dateAsserted" in body
    assert not {"subject", "recordedOn"} & body.keys()


def test_a_record_that_opens_two_chambers_makes_two_uses() -> None:
    other = msgspec.structs.replace(samples.CONNECTION, drain="drn-8", chamber="B")
    drain = msgspec.structs.replace(samples.DRAIN, key=Key("drain", "", "drn-8"))
    made = renderer().connection(samples.CONNECTION, samples.DRAIN) + renderer().connection(other, drain)
    assert len({each.id for each in made}) == 4


def test_a_unit_on_two_patients_has_two_uses() -> None:
    other = msgspec.structs.replace(samples.CONNECTION, drain="drn-8", chamber="B")
    drains = {
        **DRAINS,
        "drn-8": msgspec.structs.replace(
            samples.DRAIN, patient=Identifier("https://ward.example/mrn", "P-2")
        ),
    }
    resources = renderer().collector(samples.unit("adult-dual"), [samples.CONNECTION, other], drains)
    assert len(bodies(resources, "DeviceUseStatement")) == 2


def test_windows() -> None:
    total, net, origin = renderer().window(
        samples.window(bound="at-least", net=Decimal(-10), intervals=(LevelRef(samples.R1, "A."),)),
        samples.DRAIN,
    )
    body = json.loads(total.body)
    assert body["valueQuantity"]["comparator"] == ">="
    assert body["effectivePeriod"] == {
        "start": "2026-03-02T07:00:00+00:00",
        "end": "2026-03-02T19:00:00+00:00",
    }
    assert [code_of(each["code"]) for each in body["component"]] == [
        "coverage",
        "period-covered",
        "minutes-clamped",
    ]
    assert body["derivedFrom"][0]["reference"].endswith(".A.interval-output")
    assert json.loads(net.body)["valueQuantity"]["value"] == -10
    assert "9129-8" not in (total.body + net.body).decode()
    assert json.loads(origin.body)["entity"][0]["what"]["identifier"]["value"] == "ward.r-1"


@pytest.mark.parametrize(("fhir", "patient"), [("R4", "patient"), ("R5", "subject")])
def test_a_finding_becomes_a_detected_issue(fhir: Fhir, patient: str) -> None:
    issue, origin = renderer(fhir).issue(samples.finding("still-clamped"), samples.DRAIN)
    body = json.loads(issue.body)
    assert body[patient]["type"] == "Patient"
    assert body["detail"] == "A sentence for a nurse."
    assert "severity" not in body
    assert issue.reference in origin.body.decode()
    assert renderer(fhir).issue(samples.finding(issue=False), samples.DRAIN) == []


def test_a_finding_without_a_code_is_words() -> None:
    issue, _ = renderer().issue(samples.finding("no-such-code"), samples.DRAIN)
    assert json.loads(issue.body)["code"] == {"text": "no such code"}


def test_a_correction_and_a_retraction_have_a_provenance() -> None:
    targets = renderer().drain(samples.DRAIN)[:1]
    kinds: tuple[Literal["UPDATE", "NULLIFY"], ...] = ("UPDATE", "NULLIFY")
    for kind in kinds:
        made = renderer().change(Key("correction", "ward", "c-1"), samples.at(9), targets, kind)
        body = json.loads(made.body)
        assert body["activity"]["coding"][0]["code"] == kind
        assert body["recorded"] == "2026-03-02T09:00:00+00:00"
        assert body["target"][0]["reference"] == targets[0].reference


def test_the_adapter_states_its_version_and_the_caution() -> None:
    body = json.loads(Renderer(samples.mappings().codes, version="1.2.3").adapter().body)
    assert body["version"] == [{"value": "1.2.3"}]
    assert "Not a medical device" in body["note"][0]["text"]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_each_of_two_graduations_says_where_it_holds(fhir: Fhir) -> None:
    """Two distances without their levels would leave a reader to guess which of them a level was read by."""
    made = renderer(fhir).collector(samples.unit("adult-single"))
    [chamber] = [json.loads(each.body) for each in made if each.id.endswith(".chamber.A")]
    marks = [each for each in chamber["property"] if code_of(each["type"]) == "graduation"]
    assert [each["type"]["text"] for each in marks] == [
        "Graduation from 0 to 500 mL",
        "Graduation from 500 to 2000 mL",
    ]
