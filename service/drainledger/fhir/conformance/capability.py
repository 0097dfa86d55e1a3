"""What an instance can do (R4 capabilitystatement.html): serve, and send in transactions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from drainledger.fhir.conformance.common import RELEASE, head
from drainledger.fhir.conformance.served import INTERACTIONS, OPERATIONS, OWN, Served, served
from drainledger.fhir.dialect import USE_TYPE, VERSION, Json
from drainledger.fhir.resource import Fhir

#: When what is described last changed; R4 asks for a date.
CHANGED: Final = "2026-11-25"

_SECURITY: Final = "http://terminology.hl7.org/CodeSystem/restful-security-service"
_SMART: Final = "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris"
#: What is sent elsewhere, by R4's names.
_SENT: Final = (
    "Patient",
    "Device",
    "DeviceMetric",
    "DeviceUseStatement",
    "Observation",
    "DetectedIssue",
    "Provenance",
)


def capability_statement(base: str, fhir: Fhir, *, url: str | None = None, token: str | None = None) -> Json:
    """`url` is where the instance is called, `token` where its access tokens are given out; None of a set on paper,
    which is of no one instance's place."""
    described = head(
        "CapabilityStatement",
        "drainledger",
        base,
        "Drainledger",
        "What the service offers to read and takes in, and how it sends what it made. A converted file needs no "
        "server; its transaction asks the receiver to let clients choose ids.",
    )
    return {
        **described,
        "date": CHANGED,
        "kind": "instance",
        "software": {"name": "Drainledger", "version": RELEASE},
        "implementation": {
            "description": "Chest-drain readings as an exact ledger and FHIR resources",
            "url": url or base,
        },
        "fhirVersion": VERSION[fhir],
        "format": ["application/fhir+json", "json"],
        "rest": [_server(base, fhir, token), _client(fhir)],
    }


def _server(base: str, fhir: Fhir, token: str | None) -> Json:
    return {
        "mode": "server",
        "documentation": "What was read is taken in as Observations, or as records at /v1/records; all else is read "
        "only. Not a medical device, not an alarm: check the patient.",
        "security": _security(token),
        "resource": [_resource(base, each) for each in served(fhir)],
        "interaction": [{"code": code} for code in INTERACTIONS],
        "operation": _operations(OPERATIONS),
    }


def _security(token: str | None) -> Json:
    coding = {"system": _SECURITY, "code": "SMART-on-FHIR", "display": "SMART-on-FHIR"}
    described: Json = {
        "cors": False,
        "service": [{"coding": [coding], "text": "OAuth2 using the SMART-on-FHIR profile"}],
        "description": "Authorization: Bearer, with an API key of this service, a token of its issuer, or one that a "
        "client is given for an assertion (SMART Backend Services). Each access leaves an AuditEvent.",
    }
    if token is None:
        return described
    uris = {"url": _SMART, "extension": [{"url": "token", "valueUri": token}]}
    return {"extension": [uris], **described}


def _resource(base: str, each: Served) -> Json:
    told: Json = {"type": each.type}
    if each.profiles:
        told["supportedProfile"] = [f"{base}/StructureDefinition/{profile}" for profile in each.profiles]
    told["documentation"] = each.documentation
    told["interaction"] = [{"code": code} for code in each.interactions]
    told["versioning"] = each.versioning
    told["readHistory"] = "vread" in each.interactions
    told["updateCreate"] = False
    told["conditionalCreate"] = each.conditional_create
    told["conditionalRead"] = each.conditional_read
    told["conditionalUpdate"] = False
    told["conditionalDelete"] = "not-supported"
    if each.includes:
        told["searchInclude"] = list(each.includes)
    if each.revincludes:
        told["searchRevInclude"] = list(each.revincludes)
    if each.search:
        told["searchParam"] = [_parameter(base, each.type, *one) for one in each.search.items()]
    if each.operations:
        told["operation"] = _operations(each.operations)
    return told


def _operations(operations: Mapping[str, str]) -> list[Json]:
    return [{"name": name, "definition": definition} for name, definition in sorted(operations.items())]


def _parameter(base: str, type: str, name: str, kind: str) -> Json:
    own = {"definition": f"{base}/SearchParameter/{name}"} if name in OWN.get(type, ()) else {}
    return {"name": name, **own, "type": kind}


def _client(fhir: Fhir) -> Json:
    """Sends each message as one transaction: by our own ids where the receiver lets clients choose them
    (updateCreate), else conditional on the identifier."""
    return {
        "mode": "client",
        "documentation": "One transaction a message. PUT by our own ids where the receiver has updateCreate.",
        "resource": [
            {
                "type": USE_TYPE[fhir] if name == USE_TYPE["R4"] else name,
                "interaction": [{"code": "update"}],
                "updateCreate": True,
                "conditionalUpdate": name != "Provenance",  # it has no identifier
            }
            for name in _SENT
        ],
        "interaction": [{"code": "transaction"}],
    }
