"""What FHIR interactions read: resources by id, version, history or search, as they stand in the store or are rendered.

Knows the store and FHIR; knows no web.
"""
