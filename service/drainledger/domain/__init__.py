"""The arithmetic: records in, an exact ledger out. Pure: no I/O, no clock, no FHIR, no web."""
