"""The search parameters of each type, by FHIR version.

Names, types and expressions of R4 are those of its SearchParameter definitions (search-parameters.json), less what
those say of other types; a test compares. R5's are from memory where they differ. What could never find anything here
is left out: a service that holds no practitioners does not search them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

from msgspec import Struct

from drainledger.fhir.resource import Fhir
from drainledger.fhir.search.extract import compiled

Kind = Literal["token", "date", "reference", "quantity", "string", "uri"]


class Parameter(Struct, frozen=True, kw_only=True):
    """`targets` of a reference; `system` that of a plain code; `own`: the project's, not the standard's."""

    name: str
    kind: Kind
    expression: str
    targets: tuple[str, ...] = ()
    system: str = ""
    own: bool = False

    def values(self, resource: Mapping[str, Any]) -> Sequence[Any]:
        """What its expression gives."""
        return compiled(self.expression)(dict(resource) if not isinstance(resource, dict) else resource)


def parameters_of(fhir: Fhir, type: str) -> Mapping[str, Parameter]:
    """By name; of a type that is not searched none. `type` as that version calls it."""
    return _ALL[fhir].get(type, {})


def types_of(fhir: Fhir) -> Sequence[str]:
    """The types that are searched."""
    return tuple(_ALL[fhir])


def _p(
    name: str, kind: Kind, expression: str, *targets: str, system: str = "", own: bool = False
) -> Parameter:
    return Parameter(name=name, kind=kind, expression=expression, targets=targets, system=system, own=own)


_HL7: Final = "http://hl7.org/fhir"

_EVERY: Final = (
    _p("_id", "token", "Resource.id"),
    _p("_lastUpdated", "date", "Resource.meta.lastUpdated"),
    _p("_profile", "uri", "Resource.meta.profile"),
    _p("_source", "uri", "Resource.meta.source"),
)

_OBSERVATION: Final = (
    _p("identifier", "token", "Observation.identifier"),
    _p("status", "token", "Observation.status", system=f"{_HL7}/observation-status"),
    _p("category", "token", "Observation.category"),
    _p("code", "token", "Observation.code"),
    _p("component-code", "token", "Observation.component.code"),
    _p("combo-code", "token", "Observation.code | Observation.component.code"),
    _p("subject", "reference", "Observation.subject", "Patient"),
    _p("patient", "reference", "Observation.subject.where(resolve() is Patient)", "Patient"),
    _p("encounter", "reference", "Observation.encounter", "Encounter"),
    _p("focus", "reference", "Observation.focus", "Device"),
    _p("device", "reference", "Observation.device", "DeviceMetric", "Device"),
    _p("performer", "reference", "Observation.performer", "Practitioner"),
    _p("derived-from", "reference", "Observation.derivedFrom", "Observation"),
    _p("has-member", "reference", "Observation.hasMember", "Observation"),
    _p("date", "date", "Observation.effective"),
    _p("period-end", "date", "Observation.effective.ofType(Period).end", own=True),
    _p("method", "token", "Observation.method"),
    _p("data-absent-reason", "token", "Observation.dataAbsentReason"),
)
_R4_VALUES: Final = (
    _p("value-quantity", "quantity", "(Observation.value as Quantity) | (Observation.value as SampledData)"),
    _p("value-concept", "token", "(Observation.value as CodeableConcept)"),
    _p(
        "combo-value-quantity",
        "quantity",
        "(Observation.value as Quantity) | (Observation.value as SampledData) | "
        "(Observation.component.value as Quantity) | (Observation.component.value as SampledData)",
    ),
)
_R5_VALUES: Final = (
    _p(
        "value-quantity",
        "quantity",
        "Observation.value.ofType(Quantity) | Observation.value.ofType(SampledData)",
    ),
    _p("value-concept", "token", "Observation.value.ofType(CodeableConcept)"),
    _p(
        "combo-value-quantity",
        "quantity",
        "Observation.value.ofType(Quantity) | Observation.value.ofType(SampledData) | "
        "Observation.component.value.ofType(Quantity) | Observation.component.value.ofType(SampledData)",
    ),
)

_DEVICE: Final = (
    _p("identifier", "token", "Device.identifier"),
    _p("type", "token", "Device.type"),
    _p("udi-di", "string", "Device.udiCarrier.deviceIdentifier"),
    _p("udi-carrier", "string", "Device.udiCarrier.carrierHRF"),
    _p("lot", "string", "Device.lotNumber", own=True),
)

_METRIC: Final = (
    _p("identifier", "token", "DeviceMetric.identifier"),
    _p("type", "token", "DeviceMetric.type"),
    _p("category", "token", "DeviceMetric.category", system=f"{_HL7}/metric-category"),
)

_ISSUE: Final = (
    _p("identifier", "token", "DetectedIssue.identifier"),
    _p("code", "token", "DetectedIssue.code"),
    _p("author", "reference", "DetectedIssue.author", "Device"),
    _p("implicated", "reference", "DetectedIssue.implicated", "Observation", "Device"),
    _p("identified", "date", "DetectedIssue.identified"),
)

_PROVENANCE: Final = (
    _p("target", "reference", "Provenance.target"),
    _p("agent", "reference", "Provenance.agent.who", "Device", "Practitioner"),
    _p("agent-type", "token", "Provenance.agent.type"),
    _p("recorded", "date", "Provenance.recorded"),
)

_R4: Final[Mapping[str, Sequence[Parameter]]] = {
    "Patient": (_p("identifier", "token", "Patient.identifier"),),
    "Device": (
        *_DEVICE,
        _p("status", "token", "Device.status", system=f"{_HL7}/device-status"),
        _p("device-name", "string", "Device.deviceName.name | Device.type.coding.display | Device.type.text"),
    ),
    "DeviceMetric": (
        *_METRIC,
        _p("source", "reference", "DeviceMetric.source", "Device"),
        _p("parent", "reference", "DeviceMetric.parent", "Device"),
    ),
    "DeviceUseStatement": (
        _p("identifier", "token", "DeviceUseStatement.identifier"),
        _p("patient", "reference", "DeviceUseStatement.subject", "Patient"),
        _p("subject", "reference", "DeviceUseStatement.subject", "Patient"),
        _p("device", "reference", "DeviceUseStatement.device", "Device"),
    ),
    "Observation": (*_OBSERVATION, *_R4_VALUES),
    "DetectedIssue": (*_ISSUE, _p("patient", "reference", "DetectedIssue.patient", "Patient")),
    "Provenance": (
        *_PROVENANCE,
        _p("patient", "reference", "Provenance.target.where(resolve() is Patient)", "Patient"),
        _p("when", "date", "(Provenance.occurred as dateTime)"),
    ),
    "AuditEvent": (
        _p("date", "date", "AuditEvent.recorded"),
        _p("type", "token", "AuditEvent.type"),
        _p("subtype", "token", "AuditEvent.subtype"),
        _p("action", "token", "AuditEvent.action", system=f"{_HL7}/audit-event-action"),
        _p("outcome", "token", "AuditEvent.outcome", system=f"{_HL7}/audit-event-outcome"),
        _p("entity", "reference", "AuditEvent.entity.what", "Patient"),
        _p("entity-type", "token", "AuditEvent.entity.type"),
        _p("entity-name", "string", "AuditEvent.entity.name"),
        _p("source", "reference", "AuditEvent.source.observer", "Device"),
        _p(
            "patient",
            "reference",
            "AuditEvent.agent.who.where(resolve() is Patient) | AuditEvent.entity.what.where(resolve() is Patient)",
            "Patient",
        ),
    ),
}

#: From memory, but for what is in R4's as well.
_R5: Final[Mapping[str, Sequence[Parameter]]] = {
    "Patient": _R4["Patient"],
    "Device": (
        *_DEVICE,
        _p("status", "token", "Device.status", system=f"{_HL7}/device-status"),
        _p("device-name", "string", "Device.name.value | Device.type.coding.display | Device.type.text"),
        _p("lot-number", "string", "Device.lotNumber"),
        _p("serial-number", "string", "Device.serialNumber"),
        _p("expiration-date", "date", "Device.expirationDate"),
        _p("manufacture-date", "date", "Device.manufactureDate"),
        _p("parent", "reference", "Device.parent", "Device"),
    ),
    "DeviceMetric": (*_METRIC, _p("device", "reference", "DeviceMetric.device", "Device")),
    "DeviceUsage": (
        _p("identifier", "token", "DeviceUsage.identifier"),
        _p("patient", "reference", "DeviceUsage.patient", "Patient"),
        _p("status", "token", "DeviceUsage.status", system=f"{_HL7}/deviceusage-status"),
    ),
    "Observation": (*_OBSERVATION, *_R5_VALUES),
    "DetectedIssue": (
        *_ISSUE,
        _p("subject", "reference", "DetectedIssue.subject", "Patient"),
        _p("patient", "reference", "DetectedIssue.subject.where(resolve() is Patient)", "Patient"),
        _p("status", "token", "DetectedIssue.status", system=f"{_HL7}/detectedissue-status"),
    ),
    "Provenance": (*_PROVENANCE, _p("when", "date", "Provenance.occurred.ofType(dateTime)")),
    "AuditEvent": (
        _p("date", "date", "AuditEvent.recorded"),
        _p("code", "token", "AuditEvent.code"),
        _p("action", "token", "AuditEvent.action", system=f"{_HL7}/audit-event-action"),
        _p("entity", "reference", "AuditEvent.entity.what", "Patient"),
        _p("source", "reference", "AuditEvent.source.observer", "Device"),
    ),
}


def _named(listed: Mapping[str, Sequence[Parameter]]) -> Mapping[str, Mapping[str, Parameter]]:
    return {type_: {each.name: each for each in (*_EVERY, *own)} for type_, own in listed.items()}


_ALL: Final[Mapping[Fhir, Mapping[str, Mapping[str, Parameter]]]] = {"R4": _named(_R4), "R5": _named(_R5)}
