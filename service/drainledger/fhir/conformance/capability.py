"""What an instance can do (R4 capabilitystatement.html): serve to read, and send in transactions."""

from __future__ import annotations

from collections.abc import Mapping

from drainledger.fhir.conformance.common import head
from drainledger.fhir.dialect import USE_TYPE, VERSION, Json
from drainledger.fhir.resource import Fhir

#: When the statement below last changed; R4 asks for a date.
CHANGED = "2026-11-25"

#: Search parameters of each type served, with their types; those of the standard and our own two.
_SEARCH: Mapping[str, Mapping[str, str]] = {
    "Patient": {"identifier": "token"},
    "Device": {"identifier": "token", "type": "token", "lot": "string"},
    "DeviceMetric": {"identifier": "token", "source": "reference"},
    "DeviceUseStatement": {"identifier": "token", "patient": "reference", "device": "reference"},
    "Observation": {
        "identifier": "token",
        "patient": "reference",
        "code": "token",
        "category": "token",
        "date": "date",
        "period-end": "date",
    },
    "DetectedIssue": {"identifier": "token", "patient": "reference", "code": "token"},
    "Provenance": {"target": "reference"},
}
_PROFILES = {
    "Observation": ["drain-interval-output", "drain-chamber-level"],
    "Device": ["drain-collector"],
}
_OWN = ("period-end", "lot")


def capability_statement(base: str, fhir: Fhir) -> Json:
    described = head(
        "CapabilityStatement",
        "drainledger",
        base,
        "Drainledger",
        "What the service offers to read, and how it sends what it made: it takes no FHIR in. A converted file needs "
        "no server; its transaction asks the receiver to let clients choose ids.",
    )
    return {
        **described,
        "date": CHANGED,
        "kind": "instance",
        "software": {"name": "Drainledger"},
        "implementation": {
            "description": "Chest-drain readings as an exact ledger and FHIR resources",
            "url": base,
        },
        "fhirVersion": VERSION[fhir],
        "format": ["json"],
        "rest": [_server(base, fhir), _client(fhir)],
    }


def _type(name: str, fhir: Fhir) -> str:
    return USE_TYPE[fhir] if name == USE_TYPE["R4"] else name


def _server(base: str, fhir: Fhir) -> Json:
    return {
        "mode": "server",
        "documentation": "Read only: records come in as readings, not as resources.",
        "resource": [_served(base, name, fhir) for name in _SEARCH],
    }


def _served(base: str, name: str, fhir: Fhir) -> Json:
    served: Json = {"type": _type(name, fhir)}
    if name in _PROFILES:
        served["supportedProfile"] = [f"{base}/StructureDefinition/{profile}" for profile in _PROFILES[name]]
    served["interaction"] = [{"code": code} for code in ("read", "vread", "search-type")]
    served["versioning"] = "versioned"
    served["searchParam"] = [
        _parameter(base, parameter, kind)
        for parameter, kind in _SEARCH[name].items()
        if not (fhir == "R5" and (name, parameter) in _GONE_IN_R5)
    ]
    return served


#: R5 searches a DeviceMetric by its device alone.
_GONE_IN_R5 = {("DeviceMetric", "source")}


def _parameter(base: str, name: str, kind: str) -> Json:
    own = {"definition": f"{base}/SearchParameter/{name}"} if name in _OWN else {}
    return {"name": name, **own, "type": kind}


def _client(fhir: Fhir) -> Json:
    """Sends each message as one transaction: by our own ids where the receiver lets clients choose them
    (updateCreate), else conditional on the identifier."""
    return {
        "mode": "client",
        "documentation": "One transaction a message. PUT by our own ids where the receiver has updateCreate.",
        "resource": [
            {
                "type": _type(name, fhir),
                "interaction": [{"code": "update"}],
                "updateCreate": True,
                "conditionalUpdate": name != "Provenance",  # it has no identifier
            }
            for name in _SEARCH
        ],
        "interaction": [{"code": "transaction"}],
    }
