"""R4 and R5 from one description: everything is described in R4, and here stands what R5 writes otherwise.

FHIR.md section 5 gives the rows. What isn't named here reads alike in both; Observation and Provenance, as far as they
are used, do. The R5 pages are device.html, devicemetric.html, deviceusage.html and detectedissue.html.
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


_CHANGED: Mapping[str, Callable[[Json], Json]] = {
    "Device": _device,
    "DeviceMetric": _device_metric,
    "DeviceUseStatement": _device_use,
}
