"""The ledger's entries as FHIR resources, R4 or R5, and the conformance resources that describe them.

Rendering only: not a medical device, not an alarm; check the patient; local policy and licensed practice decide.
"""

from drainledger.fhir.bundle import bundle
from drainledger.fhir.conformance import conformance_resources
from drainledger.fhir.renderer import BASE, Renderer
from drainledger.fhir.resource import DuplicateResource, Fhir, MissingCode, RenderingError, Resource

__all__ = [
    "BASE",
    "DuplicateResource",
    "Fhir",
    "MissingCode",
    "Renderer",
    "RenderingError",
    "Resource",
    "bundle",
    "conformance_resources",
]
