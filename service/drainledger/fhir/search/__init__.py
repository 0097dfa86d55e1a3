"""Searches (R4 search.html): what is asked, and whether a resource is it. Pure."""

from drainledger.fhir.search.parameters import Parameter, parameters_of
from drainledger.fhir.search.parsing import MOST, parse
from drainledger.fhir.search.query import Clause, Has, Include, Query, SortKey
from drainledger.fhir.search.refused import SearchRefused

__all__ = [
    "MOST",
    "Clause",
    "Has",
    "Include",
    "Parameter",
    "Query",
    "SearchRefused",
    "SortKey",
    "parameters_of",
    "parse",
]
