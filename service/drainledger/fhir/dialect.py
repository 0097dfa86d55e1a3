"""R4 and R5 from one description: everything is described in R4, and here stands what R5 writes otherwise.

FHIR.md section 5 gives the rows. What isn't named here reads alike in both; Observation and Provenance, as far as they
are used, do. The R5 pages are auditevent.html, device.html, devicemetric.html, deviceusage.html and detectedissue.html.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from drainledger.fhir.codes import UCUM
from drainledger.fhir.resource import Fhir

Json = dict[str, Any]

#: What DeviceUseStatement is called.
USE_TYPE: Mapping[Fhir, str] = {"R4": "DeviceUseStatement", "R5": "DeviceUsage"}

#: The version that fhirVersion states.
VERSION: Mapping[Fhir, str] = {"R4": "4.0.1", "R5": "5.0.0"}

#: Elements that R5 only calls otherwise.
_RENAMED: Mapping[str, Mapping[str, str]] = {
    "Device": {"deviceName": "name"},
    "DeviceUseStatement": {"subject": "patient", "recordedOn": "dateAsserted", "source": "informationSource"},
    "DetectedIssue": {"patient": "subject"},
}

_HOURS_PER_UNIT = {"h": Decimal(1), "min": Decimal(1) / 60, "s": Decimal(1) / 3600}


def adapt(resource: Json, fhir: Fhir) -> Json:
    """An R4 resource as the asked version writes it."""
    if fhir == "R4":
        return resource
    kind = resource["resourceType"]
    names = _RENAMED.get(kind, {})
    renamed = {names.get(name, name): value for name, value in resource.items()}
    change = _CHANGED.get(kind)
    return renamed if change is None else change(renamed)


def _device(device: Json) -> Json:
    if "name" in device:
        device["name"] = [{"value": name["name"], "type": name["type"]} for name in device["name"]]
    device["type"] = [device["type"]]
    for prop in device.get("property", ()):
        prop["valueQuantity"] = prop["valueQuantity"][0]
    carriers = [carrier for carrier in device.pop("udiCarrier", ()) if "deviceIdentifier" in carrier]
    return device | ({"udiCarrier": carriers} if carriers else {})  # R5 asks for the device identifier


def _device_metric(metric: Json) -> Json:
    """R5 knows the channel's device alone; the unit is that device's parent."""
    unit = metric.pop("source")
    metric["device"] = metric.pop("parent", unit)
    if timing := metric.pop("measurementPeriod", None):
        metric["measurementFrequency"] = _per_hour(timing["repeat"])
    return metric


def _per_hour(repeat: Json) -> Json:
    hours = Decimal(repeat["period"]) * _HOURS_PER_UNIT[repeat["periodUnit"]]
    value = (Decimal(repeat["frequency"]) / hours).quantize(Decimal("0.001"), ROUND_HALF_EVEN).normalize()
    return {"value": Decimal(f"{value:f}"), "unit": "per hour", "system": UCUM, "code": "/h"}


def _device_use(use: Json) -> Json:
    use["resourceType"] = USE_TYPE["R5"]
    use["device"] = {"reference": use["device"]}
    if "bodySite" in use:
        use["bodySite"] = {"concept": use["bodySite"]}
    return use


#: audit-event-outcome of HL7 Terminology 3.0.0; R4 has the same codes as a code of its own.
_OUTCOMES = {"0": "Success", "4": "Minor failure", "8": "Serious failure", "12": "Major failure"}


def _audit_event(event: Json) -> Json:
    """R5 names one code in categories, has no names of entities, and where it is one patient's says whose it is."""
    kind = event.pop("type")
    subtypes = event.pop("subtype", [])
    code, described = event.pop("outcome"), event.pop("outcomeDesc", None)
    outcome: Json = {
        "code": {
            "system": "http://terminology.hl7.org/CodeSystem/audit-event-outcome",
            "code": code,
            "display": _OUTCOMES[code],
        }
    }
    if described is not None:
        outcome["detail"] = [{"text": described}]
    entities = event.pop("entity", [])
    patients = [entity["what"] for entity in entities if "role" in entity]
    return {
        "resourceType": event.pop("resourceType"),
        "id": event.pop("id"),
        **({"category": [{"coding": [kind]}]} if subtypes else {}),
        "code": {"coding": subtypes or [kind]},
        **event,
        "outcome": outcome,
        **({"patient": patients[0]} if len(patients) == 1 else {}),
        "entity": [_audit_entity(entity) for entity in entities],
    }


def _audit_entity(entity: Json) -> Json:
    if "role" in entity:
        return {"what": entity["what"], "role": {"coding": [entity["role"]]}}
    details = [
        {"type": {"text": detail["type"]}, "valueString": detail["valueString"]}
        for detail in entity.get("detail", ())
    ]
    return {"what": {"display": entity["name"]}, "detail": details}


def _provenance(told: Json) -> Json:
    """What it is about is called as the version calls it."""
    for reference in [*told["target"], *(each["what"] for each in told.get("entity", ()))]:
        type_, slash, rest = reference.get("reference", "").partition("/")
        if slash and type_ == USE_TYPE["R4"]:
            reference["reference"] = f"{USE_TYPE['R5']}/{rest}"
        if reference.get("type") == USE_TYPE["R4"]:
            reference["type"] = USE_TYPE["R5"]
    return told


_CHANGED: Mapping[str, Callable[[Json], Json]] = {
    "AuditEvent": _audit_event,
    "Device": _device,
    "DeviceMetric": _device_metric,
    "DeviceUseStatement": _device_use,
    "Provenance": _provenance,
}
