"""Which elements a summary holds, and which are never left out (R4 search.html#summary, #elements).

Elements at the root of a resource that the specification marks 'summary'. tests/web_fhir/test_subset.py compares with
`fhir.resources` for both versions, and with the R4 definitions for what is mandatory or a modifier.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from drainledger.fhir.resource import Fhir


def _table(text: str) -> Mapping[str, frozenset[str]]:
    """`Type: element element …`, a type may go over several lines."""
    found: dict[str, set[str]] = {}
    type_ = ""
    for word in text.split():
        if word.endswith(":"):
            type_ = word[:-1]
            found[type_] = set()
        else:
            found[type_].add(word)
    return {name: frozenset(elements) for name, elements in found.items()}


#: In every version and type.
ALWAYS: Final = frozenset({"resourceType", "id", "meta", "implicitRules", "modifierExtension"})

#: Besides those that are in every one.
SUMMARY: Final[Mapping[Fhir, Mapping[str, frozenset[str]]]] = {
    "R4": _table(
        """
    AuditEvent: type subtype action recorded outcome outcomeDesc purposeOfEvent
    Bundle: identifier type timestamp total link entry signature
    CapabilityStatement: url version name title status experimental date publisher contact useContext
        jurisdiction kind instantiates imports software implementation fhirVersion format patchFormat
        implementationGuide rest messaging document
    CodeSystem: url identifier version name title status experimental date publisher contact useContext
        jurisdiction caseSensitive valueSet hierarchyMeaning compositional versionNeeded content supplements
        count filter property
    ConceptMap: url identifier version name title status experimental date publisher contact useContext
        jurisdiction sourceUri sourceCanonical targetUri targetCanonical
    DetectedIssue: identifier status code severity patient identifiedDateTime identifiedPeriod author
        implicated
    Device: udiCarrier status safety
    DeviceMetric: identifier type unit source parent operationalStatus color category measurementPeriod
        calibration
    DeviceUseStatement: identifier basedOn status subject derivedFrom timingTiming timingPeriod
        timingDateTime recordedOn source device reasonCode reasonReference bodySite
    Observation: identifier basedOn partOf status code subject focus encounter effectiveDateTime
        effectivePeriod effectiveTiming effectiveInstant issued performer valueQuantity valueCodeableConcept
        valueString valueBoolean valueInteger valueRange valueRatio valueSampledData valueTime valueDateTime
        valuePeriod hasMember derivedFrom component
    OperationOutcome: issue
    Parameters: parameter
    Patient: identifier active name telecom gender birthDate deceasedBoolean deceasedDateTime address
        managingOrganization link
    Provenance: target recorded
    SearchParameter: url version name status experimental date publisher contact description useContext
        jurisdiction code base type
    StructureDefinition: url identifier version name title status experimental date publisher contact
        useContext jurisdiction keyword fhirVersion kind abstract context contextInvariant type
        baseDefinition derivation
    ValueSet: url identifier version name title status experimental date publisher contact useContext
        jurisdiction immutable

        """
    ),
    "R5": _table(
        """
    AuditEvent: modifierExtension category code action severity recorded outcome authorization agent source
        entity
    Bundle: identifier type timestamp total link entry signature issues
    CapabilityStatement: modifierExtension url identifier version versionAlgorithmString
        versionAlgorithmCoding name title status experimental date publisher contact useContext jurisdiction
        kind instantiates imports software implementation fhirVersion format patchFormat acceptLanguage
        implementationGuide rest messaging document
    CodeSystem: modifierExtension url identifier version versionAlgorithmString versionAlgorithmCoding name
        title status experimental date publisher contact useContext jurisdiction effectivePeriod
        caseSensitive valueSet hierarchyMeaning compositional versionNeeded content supplements count filter
        property
    ConceptMap: modifierExtension url identifier version versionAlgorithmString versionAlgorithmCoding name
        title status experimental date publisher contact useContext jurisdiction effectivePeriod property
        additionalAttribute sourceScopeUri sourceScopeCanonical targetScopeUri targetScopeCanonical
    DetectedIssue: modifierExtension identifier status code severity subject encounter identifiedDateTime
        identifiedPeriod author implicated
    Device: modifierExtension udiCarrier status safety
    DeviceMetric: modifierExtension identifier type unit device operationalStatus category
    DeviceUsage: modifierExtension identifier basedOn status patient derivedFrom context timingTiming
        timingPeriod timingDateTime dateAsserted informationSource device reason bodySite
    Observation: modifierExtension identifier instantiatesCanonical instantiatesReference basedOn partOf
        status code subject focus encounter effectiveDateTime effectivePeriod effectiveTiming
        effectiveInstant issued performer valueQuantity valueCodeableConcept valueString valueBoolean
        valueInteger valueRange valueRatio valueSampledData valueTime valueDateTime valuePeriod
        valueAttachment valueReference hasMember derivedFrom component
    OperationOutcome: modifierExtension issue
    Parameters: parameter
    Patient: modifierExtension identifier active name telecom gender birthDate deceasedBoolean
        deceasedDateTime address managingOrganization link
    Provenance: modifierExtension target recorded agent entity
    SearchParameter: modifierExtension url identifier version versionAlgorithmString versionAlgorithmCoding
        name title status experimental date publisher contact description useContext jurisdiction code base
        type
    StructureDefinition: modifierExtension url identifier version versionAlgorithmString
        versionAlgorithmCoding name title status experimental date publisher contact useContext jurisdiction
        keyword fhirVersion kind abstract context contextInvariant type baseDefinition derivation
    ValueSet: modifierExtension url identifier version versionAlgorithmString versionAlgorithmCoding name
        title status experimental date publisher contact useContext jurisdiction immutable effectivePeriod

        """
    ),
}

_KEPT_R4: Final = _table(
    """
    AuditEvent: type recorded agent source
    Bundle: type
    CapabilityStatement: status date kind fhirVersion format
    CodeSystem: status content
    ConceptMap: status
    DetectedIssue: status
    Device: status
    DeviceMetric: type category
    DeviceUseStatement: status subject device
    Observation: status code
    OperationOutcome: issue
    Parameters:
    Patient: active deceasedBoolean deceasedDateTime link
    Provenance: target recorded agent
    SearchParameter: url name status description code base type
    StructureDefinition: url name status kind abstract type
    ValueSet: status
    """
)
#: Mandatory, or able to change what the rest means. R5's are R4's under its own names.
KEPT: Final[Mapping[Fhir, Mapping[str, frozenset[str]]]] = {
    "R4": _KEPT_R4,
    "R5": {
        **_KEPT_R4,
        **_table(
            """
            AuditEvent: code recorded agent source
            DeviceMetric: type category device
            DeviceUsage: status patient device
            """
        ),
    },
}
