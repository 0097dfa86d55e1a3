"""Whatever is posted: no exception, a record or the reasons, and every record is one that the contract can judge."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from drainledger.domain.validation import parse
from drainledger.fhir.fragments import encode
from drainledger.fhir.reading import Posted, as_faults
from drainledger.rest.stored import decode
from tests.fhir import samples
from tests.reading.desk import read_all, read_one
from tests.reading.posted import amount, concept, level, observation, quantity

CODES = (
    *("chamber-level", "interval-output", "suction-set", "suction-prescribed", "air-leak-grade", "tidaling"),
    *("fluid-appearance", "drain-panel", "volume-reinfused", "running-total", "x"),
)
NAMES = st.sampled_from(
    (
        *(
            "resourceType",
            "identifier",
            "status",
            "code",
            "subject",
            "focus",
            "effectiveDateTime",
            "effectivePeriod",
        ),
        *(
            "issued",
            "performer",
            "valueQuantity",
            "valueCodeableConcept",
            "dataAbsentReason",
            "note",
            "method",
        ),
        *(
            "device",
            "hasMember",
            "component",
            "coding",
            "system",
            "value",
            "reference",
            "type",
            "unit",
            "text",
        ),
        *("start", "end", "extension", "_status", "meta", "bodySite", "encounter", "derivedFrom"),
    )
)
WORDS = st.sampled_from(
    ("", "Observation", "final", "mL", "Patient", "7", "2026-03-02T07:00:00Z", "\ud800", *CODES)
)
ATOMS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.decimals(allow_nan=False, allow_infinity=False),
    WORDS,
    st.text(),
)
ANYTHING = st.recursive(
    ATOMS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=6),
    max_leaves=30,
)
GOOD = (
    level(40),
    level(Decimal("40.5"), issued="2026-03-02T07:00:00Z", note=[{"text": "x"}]),
    amount(35, "06:00", "07:00"),
    observation("air-leak-grade", valueQuantity=quantity(2, "{score}"), method=concept("leak-grade-0-5")),
    observation("suction-prescribed", valueQuantity=quantity(-20, "cm[H2O]")),
    observation(
        "tidaling",
        valueCodeableConcept=concept("tidaling-present"),
        component=[{"code": concept("tidaling-swing"), "valueQuantity": quantity(4, "cm[H2O]")}],
    ),
    observation("drain-panel", hasMember=[{"reference": "urn:x"}]),
)


def spots(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a resource."""
    found = [path] if path else []
    if isinstance(value, dict):
        return found + [spot for name in value for spot in spots(value[name], (*path, name))]
    if isinstance(value, list):
        return found + [spot for place in range(len(value)) for spot in spots(value[place], (*path, place))]
    return found


@st.composite
def mutated(draw: st.DrawFn) -> dict[str, Any]:
    resource = copy.deepcopy(draw(st.sampled_from(GOOD)))
    for _ in range(draw(st.integers(1, 3))):
        *way, last = draw(st.sampled_from(spots(resource)))
        holder: Any = resource
        for step in way:
            holder = holder[step]
        if draw(st.booleans()) or not isinstance(holder, dict):
            holder[last] = draw(ANYTHING)
        else:
            del holder[last]
            if not spots(resource):
                break
    return resource


def check(resource: object) -> None:
    one = read_one(resource)
    assert (one.record is None) == any(each.severity == "error" for each in one.faults)
    for each in one.faults:
        assert each.expression.startswith("Observation")
        assert each.text
        assert each.code
    if one.record is None:
        return
    outcome = parse(one.record, source="s", units=samples.mappings().units, received_at=None)
    for fault in as_faults(getattr(outcome, "problems", ()), one.places, "Observation"):
        assert fault.expression.startswith("Observation")


@settings(max_examples=300, deadline=None)
@given(ANYTHING)
def test_anything(resource: object) -> None:
    check(resource)
    check({"resourceType": "Observation", "code": concept("tidaling"), "component": resource})


@settings(max_examples=600, deadline=None)
@given(mutated())
def test_good_ones_mutated(resource: dict[str, Any]) -> None:
    check(resource)


@settings(max_examples=200, deadline=None)
@given(st.lists(mutated(), max_size=4))
def test_several_at_once(resources: list[dict[str, Any]]) -> None:
    posted = [Posted(one, f"Bundle.entry[{n}].resource", f"urn:{n}") for n, one in enumerate(resources)]
    read = read_all(*posted)
    assert sorted(place for one in read for place in one.of) == list(range(len(resources)))


def test_decimals_stay_as_written() -> None:
    for text in (b"40.0", b"0.10", b"1e2", b"40"):
        sent = decode(encode(level(0)).replace(b'"value":0', b'"value":' + text))
        record = read_one(sent).record
        assert record is not None
        assert record["level"]["value"] == Decimal(text.decode())
        assert str(record["level"]["value"]) == str(decode(b'{"a":' + text + b"}")["a"])
