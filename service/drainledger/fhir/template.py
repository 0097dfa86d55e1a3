"""One Observation code compiled to text: what stays the same in every Observation of it."""

from __future__ import annotations

from decimal import Decimal

from drainledger.fhir.codes import Vocabulary
from drainledger.fhir.fragments import encode, quote

#: Which profile an Observation of a code claims (FHIR.md 'meta.profile': only the project's own).
PROFILES = {"interval-output": "drain-interval-output", "chamber-level": "drain-chamber-level"}

UNCERTAINTY = "http://hl7.org/fhir/StructureDefinition/iso21090-uncertainty"
_REASONS = {"unknown": "Unknown", "not-performed": "Not Performed", "error": "Error"}


def absent_concept(reason: str) -> dict[str, object]:
    """A dataAbsentReason. Displays as in valuesets.json of the R4 definitions."""
    system = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    return {"coding": [{"system": system, "code": reason, "display": _REASONS[reason]}]}


#: Why there is no value, as text.
ABSENT_REASON = {reason: encode(absent_concept(reason)).decode() for reason in _REASONS}
ABSENT = {reason: f',"dataAbsentReason":{text}' for reason, text in ABSENT_REASON.items()}


class Template:
    """The constant texts of one code: `coded` is category and code, `unit_close` ends a Quantity."""

    __slots__ = ("code", "coded", "concept", "profile", "unit_close")

    def __init__(self, code: str, vocabulary: Vocabulary, base: str) -> None:
        self.code = code
        self.concept = vocabulary.concept_text(code)
        self.coded = f',"category":{encode(vocabulary.categories(code)).decode()},"code":{self.concept}'
        profile = PROFILES.get(code)
        self.profile = (
            "" if profile is None else f'"profile":[{quote(f"{base}/StructureDefinition/{profile}")}]'
        )
        self.unit_close = unit_close(vocabulary, code)

    def quantity(self, value: Decimal, comparator: str = "", deviation: Decimal | None = None) -> str:
        """`,"valueQuantity":…`; a deviation, in the value's unit, goes in as ISO 21090 uncertainty."""
        if deviation is None:
            return f',"valueQuantity":{{"value":{value:f}{comparator}{self.unit_close}'
        return (
            f',"valueQuantity":{{"extension":[{{"url":"{UNCERTAINTY}","valueDecimal":{deviation:f}}}],'
            f'"value":{value:f}{comparator}{self.unit_close}'
        )


def unit_close(vocabulary: Vocabulary, code: str) -> str:
    """`,"unit":…}` after a Quantity's value, "" for a code without a unit."""
    if vocabulary.codes[code].unit is None:
        return ""
    return "," + encode(vocabulary.unit(code)).decode()[1:]


#: Quantity.comparator of a lower bound, a modifier element.
AT_LEAST = ',"comparator":">="'
