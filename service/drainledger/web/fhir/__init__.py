"""FHIR over HTTP, below `/fhir/R4` and `/fhir/R5`: a file an interaction, and what they share."""
