"""The operations, and their parameters as the official OperationDefinitions have them.

R4: hl7.org/fhir/R4/operation-codesystem-lookup.html and its like for codesystem-validate-code, valueset-validate-code,
valueset-expand and conceptmap-translate; R5: the same pages under hl7.org/fhir/R5.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from msgspec import Struct

from drainledger.fhir.resource import Fhir

Kind = Literal["text", "boolean", "integer", "Coding", "CodeableConcept", "other"]


class In(Struct, frozen=True, kw_only=True):
    """A parameter that goes in. `text` is any of code, uri, canonical, string. `type_only`: an instance says it.
    `refused`: why it can't be used here, though the definition has it."""

    name: str
    kind: Kind = "text"
    many: bool = False
    type_only: bool = False
    refused: str | None = None


class Operation(Struct, frozen=True, kw_only=True):
    """`instance`: the versions in which it is defined for one resource, too."""

    type: str
    code: str
    parameters: Mapping[Fhir, tuple[In, ...]]
    instance: frozenset[Fhir] = frozenset({"R4", "R5"})

    @property
    def definition(self) -> str:
        return f"http://hl7.org/fhir/OperationDefinition/{self.type}-{self.code}"


_NOW_ONLY: Final = "the content is there as it is now, not as it was: leave it out"
_OWN_ONLY: Final = "only this service's own content is answered from: name it by its URL instead"
_ONE_VERSION: Final = "there is one version of each system here: leave it out"
_NO_SUPPLEMENT: Final = "there are no supplements here: leave it out"


def _text(*names: str) -> tuple[In, ...]:
    return tuple(In(name=name) for name in names)


def _flags(*names: str) -> tuple[In, ...]:
    return tuple(In(name=name, kind="boolean") for name in names)


def _no(reason: str, *names: str, kind: Kind = "text") -> tuple[In, ...]:
    return tuple(In(name=name, kind=kind, many=True, refused=reason) for name in names)


def _type_only(*names: str) -> tuple[In, ...]:
    return tuple(In(name=name, type_only=True) for name in names)


_CODED: Final = (In(name="coding", kind="Coding"), In(name="codeableConcept", kind="CodeableConcept"))
_LOOKUP: Final = (
    *_text("code"),
    *_type_only("system", "version"),
    In(name="coding", kind="Coding"),
    *_no(_NOW_ONLY, "date"),
    *_text("displayLanguage"),
    In(name="property", many=True),
)
_IN_SYSTEM: Final = (
    *_type_only("url"),
    *_no(_OWN_ONLY, "codeSystem", kind="other"),
    *_text("code", "version", "display"),
    *_CODED,
    *_no(_NOW_ONLY, "date"),
    *_flags("abstract"),
    *_text("displayLanguage"),
)
_IN_SET: Final = (
    *_type_only("url", "valueSetVersion"),
    *_no(_OWN_ONLY, "context"),
    *_no(_OWN_ONLY, "valueSet", kind="other"),
    *_text("code", "system", "systemVersion", "display"),
    *_CODED,
    *_no(_NOW_ONLY, "date"),
    *_flags("abstract"),
    *_text("displayLanguage"),
)
_EXPAND: Final = (
    *_type_only("url", "valueSetVersion"),
    *_no(_OWN_ONLY, "context", "contextDirection"),
    *_no(_OWN_ONLY, "valueSet", kind="other"),
    *_text("filter"),
    *_no(_NOW_ONLY, "date"),
    In(name="offset", kind="integer"),
    In(name="count", kind="integer"),
    *_flags("includeDesignations", "includeDefinition", "activeOnly"),
    *_flags("excludeNested", "excludeNotForUI", "excludePostCoordinated"),
    In(name="designation", many=True),
    *_text("displayLanguage"),
    In(name="exclude-system", many=True),
    *_no(_ONE_VERSION, "system-version", "check-system-version", "force-system-version"),
)
_MAP: Final = (
    *_type_only("url", "conceptMapVersion"),
    *_no(_OWN_ONLY, "conceptMap", kind="other"),
    *_no("no mapping here depends on anything but the code: leave it out", "dependency", kind="other"),
    *_text("system", "version"),
)
_TRANSLATE_R4: Final = (
    *_MAP,
    *_text("code", "source", "target", "targetsystem"),
    *_CODED,
    *_flags("reverse"),
)
_TRANSLATE_R5: Final = (
    *_MAP,
    *_text("sourceCode", "sourceScope", "targetCode", "targetScope", "targetSystem"),
    In(name="sourceCoding", kind="Coding"),
    In(name="sourceCodeableConcept", kind="CodeableConcept"),
    In(name="targetCoding", kind="Coding"),
    In(name="targetCodeableConcept", kind="CodeableConcept"),
)
_SUPPLEMENT: Final = _no(_NO_SUPPLEMENT, "useSupplement")
_PROPERTY: Final = _no("an expansion gives no properties: look a code up for its own", "property")

LOOKUP: Final = Operation(
    type="CodeSystem",
    code="lookup",
    parameters={"R4": _LOOKUP, "R5": (*_LOOKUP, *_SUPPLEMENT)},
    instance=frozenset({"R5"}),
)
IN_SYSTEM: Final = Operation(
    type="CodeSystem", code="validate-code", parameters={"R4": _IN_SYSTEM, "R5": _IN_SYSTEM}
)
IN_SET: Final = Operation(
    type="ValueSet", code="validate-code", parameters={"R4": _IN_SET, "R5": (*_IN_SET, *_SUPPLEMENT)}
)
EXPAND: Final = Operation(
    type="ValueSet", code="expand", parameters={"R4": _EXPAND, "R5": (*_EXPAND, *_SUPPLEMENT, *_PROPERTY)}
)
TRANSLATE: Final = Operation(
    type="ConceptMap", code="translate", parameters={"R4": _TRANSLATE_R4, "R5": _TRANSLATE_R5}
)
OPERATIONS: Final = (LOOKUP, IN_SYSTEM, IN_SET, EXPAND, TRANSLATE)
