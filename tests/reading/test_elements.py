"""What becomes of each element of an Observation: used, told as not kept, or refused; none is lost unseen."""

from __future__ import annotations

from typing import Any

import pytest
from fhir.resources import get_fhir_model_class as r5_model
from fhir.resources.R4B import get_fhir_model_class as r4_model

from drainledger.fhir.reading.elements import QUIET, USED, WARNED
from tests.reading.desk import faults, read_one, record_of
from tests.reading.posted import LOCAL, UCUM, amount, concept, level, observation, quantity

OTHER_VALUES = {
    "valueString": "40 mL",
    "valueBoolean": True,
    "valueInteger": 40,
    "valueRange": {"low": quantity(1)},
    "valueRatio": {"numerator": quantity(1)},
    "valueSampledData": {"dimensions": 1},
    "valueTime": "07:00:00",
    "valueDateTime": "2026-03-02",
    "valuePeriod": {"start": "2026"},
    "valueAttachment": {"title": "x"},
    "valueReference": {"display": "x"},
}


@pytest.mark.parametrize("name", sorted(WARNED))
def test_what_is_not_kept_is_told(name: str) -> None:
    """The record is the same without it."""
    plain, sent = level(40), level(40) | {name: [{"reference": "X/1"}]}
    assert faults(sent, "warning") == [("informational", f"Observation.{name}")]
    assert record_of(sent) == record_of(plain)


@pytest.mark.parametrize("name", sorted(QUIET))
def test_what_is_the_servers_own_is_passed_over(name: str) -> None:
    sent = level(40) | {
        name: {"versionId": "7", "lastUpdated": "x", "profile": ["y"]} if name == "meta" else "x"
    }
    assert read_one(sent).faults == ()
    assert record_of(sent) == record_of(level(40))


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        ({"modifierExtension": [{"url": "x"}]}, ("not-supported", "Observation.modifierExtension")),
        ({"implicitRules": "https://x.example"}, ("not-supported", "Observation.implicitRules")),
        (
            {"effectiveTiming": {"event": []}, "effectiveDateTime": None},
            ("not-supported", "Observation.effectiveTiming"),
        ),
        ({"levl": 40}, ("structure", "Observation")),
        ({"_levl": 40}, ("structure", "Observation")),
        *(({name: value}, ("not-supported", "Observation.value")) for name, value in OTHER_VALUES.items()),
    ],
)
def test_what_could_change_the_meaning_is_refused(more: dict[str, Any], fault: tuple[str, str]) -> None:
    assert fault in faults({k: v for k, v in (level(40) | more).items() if v is not None})


@pytest.mark.parametrize("model", [r4_model, r5_model], ids=["R4", "R5"])
def test_every_element_that_fhir_has_is_decided(model: Any) -> None:
    """The elements of Observation are those of fhir.resources; what is in no table here is refused by its name."""
    names = {field.alias or name for name, field in model("Observation").model_fields.items()}
    elements = {name for name in names if not name.startswith("_") and not name.endswith("__ext")}
    undecided = elements - USED - QUIET - WARNED.keys() - {"fhir_comments", "resource_type"}
    refused = {
        "modifierExtension",
        "implicitRules",
        "effectiveTiming",
        *(n for n in elements if n.startswith("value")),
    }
    assert undecided <= refused, undecided - refused
    assert {"status", "code", "subject", "valueQuantity"} <= elements


def test_parts_of_the_meta() -> None:
    sent = level(40, meta={"security": [concept("R")], "tag": [], "x": 1})
    assert {each for _, each in faults(sent, "warning")} == {
        "Observation.meta.security",
        "Observation.meta.tag",
        "Observation.meta",
    }
    assert faults(level(40, meta=[])) == [("structure", "Observation.meta")]


@pytest.mark.parametrize(
    "status", ["registered", "amended", "corrected", "cancelled", "entered-in-error", "unknown"]
)
def test_statuses_that_say_something_else_than_a_new_reading(status: str) -> None:
    one = read_one(level(40, status=status))
    assert [(each.code, each.expression) for each in one.faults] == [("business-rule", "Observation.status")]
    assert one.record is None
    assert faults(level(40, status="done")) == [("code-invalid", "Observation.status")]


@pytest.mark.parametrize(
    ("value", "fault"),
    [
        (quantity(40) | {"comparator": ">="}, ("business-rule", "Observation.value.comparator")),
        (quantity("40"), ("structure", "Observation.value.value")),
        (quantity(True), ("structure", "Observation.value.value")),
        (quantity(None), ("required", "Observation.value.value")),
        ({"value": 40}, ("required", "Observation.value.code")),
        ({"value": 40, "unit": "mL", "code": "mL"}, ("invariant", "Observation.value.code")),
        ({"value": 40, "unit": "mL", "system": UCUM}, ("required", "Observation.value.code")),
        ({"value": 40, "code": "mL", "system": "urn:x"}, ("code-invalid", "Observation.value.system")),
        (quantity(40) | {"unit": "L"}, ("conflict", "Observation.value.unit")),
        (quantity(40) | {"unit": "mL/min"}, ("conflict", "Observation.value.unit")),
        (quantity(40) | {"vlue": 1}, ("structure", "Observation.value")),
        ("40 mL", ("structure", "Observation.valueQuantity")),
        ({}, ("structure", "Observation.valueQuantity")),
    ],
)
def test_quantities(value: Any, fault: tuple[str, str]) -> None:
    assert fault in faults(level(40, valueQuantity=value))


def test_a_units_text_may_be_anything_that_people_read() -> None:
    for text in ("millilitres as marked", "cc", "ml"):
        assert faults(level(40, valueQuantity=quantity(40) | {"unit": text})) == []


def test_extensions_of_values_are_told() -> None:
    sent = level(40, valueQuantity=quantity(40) | {"extension": [{"url": "x"}], "_unit": {}})
    assert set(faults(sent, "warning")) == {
        ("informational", "Observation.value.extension"),
        ("informational", "Observation.value.unit"),
    }
    dated = level(40) | {"_effectiveDateTime": {"extension": [{"url": "x"}]}}
    assert faults(dated, "warning") == [("informational", "Observation.effectiveDateTime")]


@pytest.mark.parametrize(
    ("time", "fault"),
    [
        ({"effectiveDateTime": None}, ("required", "Observation.effective")),
        ({"effectiveDateTime": "2026-03-02"}, ("value", "Observation.effective")),
        ({"effectiveDateTime": "2026-03-02T07:00:00"}, ("value", "Observation.effective")),
        ({"effectiveDateTime": "2026-03-02T07:00Z"}, ("value", "Observation.effective")),
        ({"effectiveDateTime": 7}, ("value", "Observation.effective")),
        ({"effectiveInstant": "2026-03-02T07:00:00Z"}, ("structure", "Observation.effective")),
        (
            {"effectiveDateTime": None, "effectivePeriod": {"start": "2026-03-02T06:00:00Z"}},
            ("required", "Observation.effective.end"),
        ),
        (
            {
                "effectiveDateTime": None,
                "effectivePeriod": {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T07:00:00Z"},
            },
            ("business-rule", "Observation.effective"),
        ),
        ({"issued": "yesterday"}, ("value", "Observation.issued")),
    ],
)
def test_times(time: dict[str, Any], fault: tuple[str, str]) -> None:
    assert faults(level(40, **time)) == [fault]


def test_an_amount_may_have_an_instant_alone_or_a_period() -> None:
    """An instant says when it was measured, and since when is not known (DESIGN 3 'from')."""
    at_once = amount(35, "06:00", "07:00", effectivePeriod=None, effectiveDateTime="2026-03-02T07:00:00Z")
    assert "from" not in record_of(at_once)
    assert record_of(amount(35, "06:00", "07:00"))["from"] == "2026-03-02T06:00:00+00:00"


@pytest.mark.parametrize(
    ("sent", "fault"),
    [
        (observation("interval-output", valueQuantity=quantity(40)), ("business-rule", "Observation.code")),
        (
            observation("output-rate", valueQuantity=quantity(40, "mL/h")),
            ("business-rule", "Observation.code"),
        ),
        (
            observation("time-since-air-leak", valueQuantity=quantity(4, "h")),
            ("business-rule", "Observation.code"),
        ),
        (
            amount(35, "06:00", "07:00", method=concept("level-difference")),
            ("business-rule", "Observation.method"),
        ),
        (
            amount(35, "06:00", "07:00", derivedFrom=[{"reference": "Observation/x"}]),
            ("business-rule", "Observation.derivedFrom"),
        ),
        (observation("collection-unit"), ("not-supported", "Observation.code")),
        (observation("no-such-code"), ("code-invalid", "Observation.code")),
        (level(40) | {"code": {"text": "level"}}, ("not-supported", "Observation.code")),
        (
            level(40)
            | {
                "code": {
                    "coding": [
                        *concept("chamber-level")["coding"],
                        *concept("9129-8", "http://loinc.org")["coding"],
                    ]
                }
            },
            ("conflict", "Observation.code"),
        ),
    ],
)
def test_codes_that_are_not_taken(sent: dict[str, Any], fault: tuple[str, str]) -> None:
    assert fault in faults(sent)


def test_a_grade_needs_its_scale() -> None:
    grade = observation("air-leak-grade", valueQuantity=quantity(2, "{score}"))
    assert faults(grade) == [("required", "Observation.method")]
    assert faults(grade | {"method": concept("leak-grade-0-3")}) == [("business-rule", "Observation.method")]
    scaled = grade | {"method": concept("leak-grade-0-5")}
    assert faults(scaled) == []
    assert faults(scaled | {"valueQuantity": quantity(2, "mL/min")}) == [("value", "Observation.value.code")]


@pytest.mark.parametrize(
    ("component", "fault"),
    [
        (
            {"code": concept("coverage"), "valueQuantity": quantity(1)},
            ("not-supported", "Observation.component[0].code"),
        ),
        ({"code": concept("x", "urn:y")}, ("not-supported", "Observation.component[0].code")),
        ({"valueString": "x"}, ("required", "Observation.component[0].code")),
        (
            {"code": concept("tidaling-swing"), "valueString": "x"},
            ("value", "Observation.component[0].value"),
        ),
        (
            {
                "code": concept("tidaling-swing"),
                "valueQuantity": quantity(4, "cm[H2O]"),
                "modifierExtension": [{}],
            },
            ("not-supported", "Observation.component[0].modifierExtension"),
        ),
        (
            {
                "code": concept("tidaling-swing"),
                "valueQuantity": quantity(4, "cm[H2O]") | {"comparator": "<"},
            },
            ("business-rule", "Observation.component[0].value.comparator"),
        ),
    ],
)
def test_components_hold_data_and_are_understood_or_refused(component: Any, fault: tuple[str, str]) -> None:
    sent = observation("tidaling", valueCodeableConcept=concept("tidaling-present"), component=[component])
    assert faults(sent) == [fault]


@pytest.mark.parametrize(
    ("sent", "fault"),
    [
        (
            observation("tidaling", valueCodeableConcept=concept("patency-patent")),
            ("code-invalid", "Observation.value"),
        ),
        (
            observation("tidaling", valueCodeableConcept={"text": "present"}),
            ("code-invalid", "Observation.value"),
        ),
        (observation("tidaling", valueQuantity=quantity(1)), ("value", "Observation.value")),
        (observation("tidaling"), ("required", "Observation.value")),
        (level(valueQuantity=None), ("required", "Observation.value")),
        (
            level(valueQuantity=None, dataAbsentReason={"text": "busy"}),
            ("not-supported", "Observation.dataAbsentReason"),
        ),
        (level(40, dataAbsentReason={"text": "foam"}), ("invariant", "Observation.dataAbsentReason")),
        (observation("drain-panel", valueQuantity=quantity(1)), ("value", "Observation.value")),
    ],
)
def test_values_that_do_not_fit_the_code(sent: dict[str, Any], fault: tuple[str, str]) -> None:
    assert fault in faults(sent)


def test_what_else_is_not_kept_is_told() -> None:
    sent = level(
        40,
        encounter={"identifier": {"system": "https://ward.example/visit", "value": "V-other"}},
        bodySite=concept("123", "urn:other"),
        method=concept("by-eye", "urn:other"),
        performer=[{"type": "Organization", "display": "W3"}],
        device={"display": "a monitor"},
        hasMember=[{"reference": "Observation/1"}],
        derivedFrom=[{"reference": "Observation/1"}],
        note=[{"text": "x", "time": "2026"}],
        identifier=[{"value": "a"}, {"value": "b"}],
    )
    assert {each for _, each in faults(sent, "warning")} == {
        *("Observation.encounter", "Observation.bodySite", "Observation.method", "Observation.performer[0]"),
        *("Observation.device", "Observation.hasMember", "Observation.derivedFrom", "Observation.note[0]"),
        "Observation.identifier[1]",
    }
    assert LOCAL
