"""The local code system on the wire: codes as data in, CodeableConcepts out (FHIR.md 'Local codes').

The codes come from the mapping layer, which this package may not import; hence the two Protocols.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Protocol

from drainledger.fhir.fragments import encode
from drainledger.fhir.resource import MissingCode

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
OBSERVATION_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"

#: Displays of the observation categories used, as in valuesets.json of the R4 definitions.
_CATEGORY_DISPLAY = {"exam": "Exam", "therapy": "Therapy", "procedure": "Procedure"}

#: Codes without which nothing can be rendered, findings and leak meter scales aside (they fall back to text).
REQUIRED = (
    "chest-drain",
    "collection-unit",
    "inline-bag",
    "chamber",
    "drain-catheter",
    "adapter-software",
    "capacity",
    "graduation",
    "chamber-count",
    "chamber-level",
    "interval-output",
    "output-rate",
    "output-rate-per-weight",
    "running-total",
    "charted-total",
    "charted-net",
    "suction-prescribed",
    "suction-set",
    "suction-applied",
    "drain-pressure",
    "air-leak-grade",
    "air-leak-flow",
    "time-since-air-leak",
    "bubbling-pattern",
    "tidaling",
    "patency",
    "fluid-appearance",
    "irrigant-instilled",
    "sample-withdrawn",
    "volume-reinfused",
    "drain-panel",
    "coverage",
    "minutes-clamped",
    "period-covered",
    "net-total",
    "drain-number",
    "suction-mode",
    "suction-indicator",
    "tidaling-swing",
    "leak-provoked-by",
    "pinch-test-site",
    "pinch-test-result",
    "level-difference",
    "charted-amount",
    "drawn-volumes",
    "counter-difference",
    "sum-of-intervals",
    "output-over-time",
    "device-count",
    "scale-gravity",
    "scale-suction",
)


class StandardCode(Protocol):
    """A code of a standard that a local one maps to. `relation` is about the target (R4 concept-map-equivalence);
    `wire` is False where it stands in the ConceptMap only (SNOMED CT needs a licence at the receiver)."""

    @property
    def system(self) -> str: ...
    @property
    def code(self) -> str: ...
    @property
    def display(self) -> str: ...
    @property
    def relation(self) -> str: ...
    @property
    def wire(self) -> bool: ...
    @property
    def comment(self) -> str | None: ...


class Code(Protocol):
    """A local code. `unit` is UCUM, `unit_display` what people read, `category` an observation category, `kind` the
    value set that it belongs to; `emit` False switches its resources off."""

    @property
    def code(self) -> str: ...
    @property
    def display(self) -> str: ...
    @property
    def definition(self) -> str: ...
    @property
    def unit(self) -> str | None: ...
    @property
    def unit_display(self) -> str | None: ...
    @property
    def step(self) -> Decimal | None: ...
    @property
    def category(self) -> str | None: ...
    @property
    def kind(self) -> str: ...
    @property
    def emit(self) -> bool: ...
    @property
    def standard(self) -> Sequence[StandardCode]: ...


class Vocabulary:
    """The local codes of one site. Raises MissingCode for a required code that isn't there."""

    def __init__(self, codes: Mapping[str, Code], base: str) -> None:
        self.codes = codes
        self.system = f"{base}/CodeSystem/chest-drain"
        self._texts: dict[str, str] = {}
        for code in REQUIRED:
            if code not in codes:
                raise MissingCode(code)

    def coding(self, code: str) -> dict[str, Any]:
        """The local coding alone."""
        return {"system": self.system, "code": code, "display": self._find(code).display}

    def concept(self, code: str) -> dict[str, Any]:
        """A CodeableConcept: the local coding first, then the verified standard ones."""
        standards = [
            {"system": standard.system, "code": standard.code, "display": standard.display}
            for standard in self._find(code).standard
            if standard.wire
        ]
        return {"coding": [self.coding(code), *standards]}

    def concept_or_text(self, code: str, text: str) -> dict[str, Any]:
        """As `concept`, but words alone where the site has no such code: no unknown code goes on the wire."""
        if code in self.codes:
            return self.concept(code)
        return {"text": text}

    def concept_text(self, code: str) -> str:
        """`concept` as JSON, encoded once."""
        text = self._texts.get(code)
        if text is None:
            text = self._texts[code] = encode(self.concept(code)).decode()
        return text

    def unit(self, code: str) -> dict[str, Any]:
        """The unit part of a Quantity of this code."""
        found = self._find(code)
        if found.unit is None:
            raise MissingCode(f"{code}.unit")
        return {"unit": found.unit_display or found.unit, "system": UCUM, "code": found.unit}

    def quantity(self, code: str, value: Decimal) -> dict[str, Any]:
        return {"value": value, **self.unit(code)}

    def categories(self, code: str) -> list[dict[str, Any]]:
        """Observation.category: the standard one, then the local one by which a drain's whole record is found."""
        category = self._find(code).category or "exam"
        coding = {"system": OBSERVATION_CATEGORY, "code": category}
        if category in _CATEGORY_DISPLAY:
            coding["display"] = _CATEGORY_DISPLAY[category]
        return [{"coding": [coding]}, {"coding": [self.coding("chest-drain")]}]

    def _find(self, code: str) -> Code:
        found = self.codes.get(code)
        if found is None:
            raise MissingCode(code)
        return found
