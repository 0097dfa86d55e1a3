"""The profiles and the extension: what an interval output, a chamber level and a collector's Device always are.

A rule that validators often don't look at (a comparator, a slice's content) is an invariant, too: it has a key and a
sentence, and a failing example in the tests.
"""

from __future__ import annotations

from collections.abc import Callable

from drainledger.fhir.codes import LOINC, UCUM, Vocabulary
from drainledger.fhir.conformance.common import head
from drainledger.fhir.conformance.snapshot import snapshot
from drainledger.fhir.conformance.terminology import kind_url
from drainledger.fhir.dialect import USE_TYPE, VERSION, Json
from drainledger.fhir.resource import Fhir
from drainledger.fhir.template import UNCERTAINTY

HL7 = "http://hl7.org/fhir/StructureDefinition"


def structure_definitions(vocabulary: Vocabulary, base: str, fhir: Fhir) -> list[Json]:
    """Interval output, chamber level, collector, connected drain."""
    return [
        _structure(
            "drain-interval-output",
            "Observation",
            "Interval output of a chest drain",
            "The output of one drain over one interval, and the only thing that carries LOINC 9129-8: adding up the "
            "values gives the output. An interval that can't be known is here without a value; one that is a lower "
            "bound carries '>='.",
            interval_output(vocabulary, base),
            base,
            fhir,
        ),
        _structure(
            "drain-chamber-level",
            "Observation",
            "Chamber level of a chest-drain collector",
            "What a graduated chamber read. A marking, not an amount: it never carries a code of an output.",
            chamber_level(vocabulary, base),
            base,
            fhir,
        ),
        _structure(
            "drain-collector",
            "Device",
            "Chest-drain collector",
            "A single-use collection unit or in-line bag. Whom it serves stands in its uses, which have dates.",
            collector(vocabulary, base, fhir),
            base,
            fhir,
        ),
        _structure(
            "connected-drain",
            "Extension",
            "Connected drain",
            "The drain that a chamber served while it was in use.",
            connected_drain(base),
            base,
            fhir,
        ),
    ]


def _structure(
    ident: str, kind: str, title: str, description: str, elements: list[Json], base: str, fhir: Fhir
) -> Json:
    described: Json = {
        **head("StructureDefinition", ident, base, title, description),
        "fhirVersion": VERSION[fhir],
        "kind": "complex-type" if kind == "Extension" else "resource",
        "abstract": False,
    }
    if kind == "Extension":
        described["context"] = [{"type": "element", "expression": USE_TYPE[fhir]}]
    described |= {"type": kind, "baseDefinition": f"{HL7}/{kind}", "derivation": "constraint"}
    if fhir == "R4":
        described["snapshot"] = {"element": snapshot(kind, elements)}
    described["differential"] = {"element": elements}
    return described


def element(path: str, **rules: object) -> Json:
    """One element of a differential; `path` is its id, whose slice names the path leaves out."""
    plain = ".".join(piece.partition(":")[0] for piece in path.split("."))
    return {"id": path, "path": plain, **rules}


def invariant(key: str, human: str, expression: str) -> Json:
    return {"key": key, "severity": "error", "human": human, "expression": expression}


def _references(*kinds: str) -> list[Json]:
    return [{"code": "Reference", "targetProfile": [f"{HL7}/{kind}" for kind in kinds]}]


def _pattern(vocabulary: Vocabulary, code: str) -> Json:
    """The local coding and every standard one that goes on the wire, without displays: words may be translated."""
    concept = vocabulary.concept(code)
    return {
        "coding": [{"system": coding["system"], "code": coding["code"]} for coding in concept["coding"]],
    }


def _volume(path: str, comparator: str) -> list[Json]:
    """A value in mL; `comparator` is how many comparators it may have."""
    return [
        element(path, type=[{"code": "Quantity"}]),
        element(f"{path}.value", min=1),
        element(f"{path}.comparator", max=comparator),
        element(f"{path}.system", min=1, fixedUri=UCUM),
        element(f"{path}.code", min=1, fixedCode="mL"),
    ]


def _common(vocabulary: Vocabulary, base: str, code: str) -> list[Json]:
    return [
        element("Observation.identifier", min=1),
        element("Observation.category", min=1),
        element("Observation.code", patternCodeableConcept=_pattern(vocabulary, code)),
        element("Observation.subject", min=1, type=_references("Patient")),
        element(
            "Observation.focus",
            short="The drain",
            definition="The drain, as the Device that it is: a site alone can't tell two drains apart.",
            min=1,
            max="1",
            type=_references("Device"),
        ),
    ]


def interval_output(vocabulary: Vocabulary, base: str) -> list[Json]:
    rules = [
        invariant(
            "dl-io-1",
            "An interval has an output or says why it has none, never both",
            "value.exists() xor dataAbsentReason.exists()",
        ),
        invariant(
            "dl-io-2",
            "The only comparator is '>=': a lower bound",
            "value.ofType(Quantity).comparator.all($this = '>=')",
        ),
        invariant("dl-io-3", "Output is never negative", "value.ofType(Quantity).all(value >= 0)"),
        invariant(
            "dl-io-4",
            "A withdrawn interval has no value, so that adding up stays right for who forgets the status",
            "status = 'entered-in-error' implies value.empty()",
        ),
        invariant("dl-io-5", "An interval has an end", "effective.ofType(Period).end.exists()"),
        invariant(
            "dl-io-6",
            "A lower bound states no uncertainty",
            f"value.ofType(Quantity).where(comparator.exists()).extension.where(url = '{UNCERTAINTY}').empty()",
        ),
    ]
    return [
        element("Observation", constraint=rules),
        *_common(vocabulary, base, "interval-output"),
        element("Observation.effective[x]", min=1, type=[{"code": "Period"}]),
        element("Observation.effective[x].end", min=1),
        *_volume("Observation.value[x]", "1"),
        element("Observation.bodySite", binding=_site_binding(base)),
        element("Observation.device", type=_references("DeviceMetric")),
        element("Observation.hasMember", max="0"),
        element("Observation.derivedFrom", type=_references("Observation")),
        element("Observation.component", max="0"),
    ]


def chamber_level(vocabulary: Vocabulary, base: str) -> list[Json]:
    rules = [
        invariant(
            "dl-cl-1",
            "A level never carries a code of an output: it would be counted as one",
            f"code.coding.where(system = '{LOINC}' and (code = '9129-8' or code = '9257-7')).empty()",
        ),
        invariant(
            "dl-cl-2",
            "A level has a value or says why it has none, never both",
            "value.exists() xor dataAbsentReason.exists()",
        ),
        invariant(
            "dl-cl-3",
            "A withdrawn level has no value",
            "status = 'entered-in-error' implies value.empty()",
        ),
    ]
    return [
        element("Observation", constraint=rules),
        *_common(vocabulary, base, "chamber-level"),
        element("Observation.effective[x]", min=1, type=[{"code": "dateTime"}]),
        *_volume("Observation.value[x]", "0"),
        element("Observation.bodySite", binding=_site_binding(base)),
        element("Observation.device", min=1, type=_references("DeviceMetric")),
        element("Observation.hasMember", max="0"),
        element("Observation.derivedFrom", max="0"),
        element("Observation.component", max="0"),
    ]


def _site_binding(base: str) -> Json:
    return {"strength": "extensible", "valueSet": kind_url(base, "site")}


def collector(vocabulary: Vocabulary, base: str, fhir: Fhir) -> list[Json]:
    """R5 has a choice of values where R4 repeats a Quantity, and no Device.patient to forbid."""
    value = "valueQuantity" if fhir == "R4" else "value.ofType(Quantity)"
    capacity = (
        f"property.where(type.coding.where(system = '{vocabulary.system}' and code = 'capacity').exists())"
    )
    rules = [
        invariant("dl-co-1", "A collector states its capacity once, if at all", f"{capacity}.count() <= 1"),
        invariant(
            "dl-co-2",
            "A capacity is one quantity in mL",
            f"{capacity}.all({value}.count() = 1 and {value}.all(system = '{UCUM}' and code = 'mL'))",
        ),
    ]
    elements = [
        element("Device", constraint=rules),
        element("Device.identifier", min=1),
        element("Device.type", min=1),
        element(
            "Device.property",
            slicing={
                "discriminator": [{"type": "pattern", "path": "type"}],
                "rules": "open",
                "description": "By what is stated",
            },
        ),
        element("Device.property:capacity", sliceName="capacity", max="1"),
        element("Device.property:capacity.type", patternCodeableConcept=_pattern(vocabulary, "capacity")),
    ]
    return [*elements, *_VERSIONED[fhir]()]


def _r4_elements() -> list[Json]:
    return [
        element("Device.property:capacity.valueQuantity", min=1, max="1"),
        element("Device.property:capacity.valueCode", max="0"),
        element("Device.patient", max="0"),
    ]


def _r5_elements() -> list[Json]:
    return [element("Device.property:capacity.value[x]", type=[{"code": "Quantity"}])]


_VERSIONED: dict[Fhir, Callable[[], list[Json]]] = {"R4": _r4_elements, "R5": _r5_elements}


def connected_drain(base: str) -> list[Json]:
    rule = invariant(
        "dl-cd-1",
        "The extension names a drain's Device",
        "value.ofType(Reference).all(reference.exists() or identifier.exists()) and value.exists()",
    )
    return [
        element("Extension", max="1", constraint=[rule]),
        element("Extension.extension", max="0"),
        element("Extension.url", fixedUri=f"{base}/StructureDefinition/connected-drain"),
        element("Extension.value[x]", min=1, type=_references("Device")),
    ]
