"""Operations and searches over the project's own conformance set, as R4 and R5 define them.

Pure: plain data in and out. Of other code systems only what the set itself enumerates is known.
"""

from __future__ import annotations

from typing import Final

from drainledger.fhir.dialect import Json
from drainledger.fhir.terminology.content import TYPES, Canonical, Content
from drainledger.fhir.terminology.defined import (
    EXPAND,
    IN_SET,
    IN_SYSTEM,
    LOOKUP,
    OPERATIONS,
    TRANSLATE,
    Operation,
)
from drainledger.fhir.terminology.expanding import expand
from drainledger.fhir.terminology.inputs import Inputs, of_query, of_resource
from drainledger.fhir.terminology.lookup import lookup
from drainledger.fhir.terminology.refused import TerminologyRefused
from drainledger.fhir.terminology.translating import translate
from drainledger.fhir.terminology.validating import in_code_system, in_value_set

__all__ = [
    "OPERATIONS",
    "TYPES",
    "Canonical",
    "Content",
    "Inputs",
    "Operation",
    "TerminologyRefused",
    "of_query",
    "of_resource",
    "perform",
]


def perform(
    content: Content, operation: Operation, inputs: Inputs, instance: Canonical | None, *, timestamp: str
) -> Json:
    """The answer of an operation at type level, or of an instance. `timestamp`: a dateTime, for an expansion.

    Raises TerminologyRefused.
    """
    if operation is EXPAND:
        return expand(content, inputs, instance, timestamp)
    return _WORK[operation.type, operation.code](content, inputs, instance)


_WORK: Final = {
    (LOOKUP.type, LOOKUP.code): lookup,
    (IN_SYSTEM.type, IN_SYSTEM.code): in_code_system,
    (IN_SET.type, IN_SET.code): in_value_set,
    (TRANSLATE.type, TRANSLATE.code): translate,
}
