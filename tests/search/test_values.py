"""What each kind of parameter finds, by the rules and examples of R4 search.html (sections named beside each)."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from drainledger.fhir.search import Query, SearchRefused, parse

LOCAL = "https://drainledger.example/fhir/CodeSystem/chest-drain"
UCUM = "http://unitsofmeasure.org"
NOW = datetime(2026, 3, 30, tzinfo=UTC)


def query(*pairs: tuple[str, str], type: str = "Observation", strict: bool = False) -> Query:
    return parse(type, pairs, fhir="R4", base="http://h/fhir/R4", local=LOCAL, strict=strict, now=NOW)


def finds(name: str, asked: str, **resource: Any) -> bool:
    return query((name, asked)).matches({"resourceType": "Observation", **resource})


#: A night: 20:00 to 06:00, in UTC.
_NIGHT = {"effectivePeriod": {"start": "2026-03-28T20:00:00+00:00", "end": "2026-03-29T06:00:00+00:00"}}
_SINCE = {"effectivePeriod": {"start": "2026-03-28T20:00:00+00:00"}}
_UNTIL = {"effectivePeriod": {"end": "2026-03-29T06:00:00+00:00"}}


@pytest.mark.parametrize(
    ("asked", "night", "since", "until"),
    [  # search.html#prefix and #date: what overlaps, what lies within, what wholly before or after
        ("2026-03", True, False, False),
        ("2026-03-28", False, False, False),
        ("ne2026-03", False, True, True),
        ("gt2026-03-28", True, True, True),
        ("gt2026-03-29", False, True, False),
        ("ge2026-03-29", False, True, False),
        ("lt2026-03-28", False, False, True),
        ("lt2026-03-29", True, True, True),
        ("le2026-03-28", False, False, True),
        ("sa2026-03-27", True, True, False),
        ("sa2026-03-28", False, False, False),
        ("eb2026-03-30", True, False, True),
        ("eb2026-03-29", False, False, False),
        ("lt2026-03-29T06:00:00Z", True, True, True),
        ("lt2026-03-28T20:00:00Z", False, False, True),
        ("gt2026-03-29T06:00:00Z", False, True, False),
        ("gt2026-03-29T05:59:59Z", True, True, True),
    ],
)
def test_a_period(asked: str, night: bool, since: bool, until: bool) -> None:
    found = [finds("date", asked, **effective) for effective in (_NIGHT, _SINCE, _UNTIL)]
    assert found == [night, since, until]


@pytest.mark.parametrize(
    ("asked", "is_found"),
    [
        ("2026-03-28T08:00:00+01:00", True),
        ("2026-03-28T08:00:00 01:00", True),  # a plus that a URL made a space
        ("2026-03-28T07:00", True),  # a minute; without a zone in UTC
        ("2026-03-28T07:00:00.5Z", False),
        ("2026-03-28", True),
        ("lt2026-03-28T07:00:01Z", True),
        ("le2026-03-28T07:00:00Z", True),
        ("lt2026-03-28T07:00:00Z", False),
        ("ge2026-03-28T07:00:00Z", True),
        ("gt2026-03-28T07:00:00Z", False),
        ("2026-03-27,2026-03-28", True),
        ("ap2026-03-28T08:00:00Z", True),  # a tenth of the time until now is 4 h
        ("ap2026-03-29T23:00:00Z", False),
    ],
)
def test_an_instant(asked: str, is_found: bool) -> None:
    assert finds("date", asked, effectiveDateTime="2026-03-28T08:00:00+01:00") is is_found


@pytest.mark.parametrize(
    ("asked", "is_found"),
    [  # search.html#quantity and #number: a number is as wide as it is exact, but behind gt, lt, ge, le
        (f"100|{UCUM}|mL", True),
        (f"0.1|{UCUM}|L", True),
        (f"0.100|{UCUM}|L", True),
        (f"0.101|{UCUM}|L", False),
        (f"99.6|{UCUM}|mL", False),
        (f"1e2|{UCUM}|mL", True),
        (f"gt0.1|{UCUM}|L", False),
        (f"ge0.1|{UCUM}|L", True),
        (f"lt100|{UCUM}|mL", False),
        (f"le100|{UCUM}|mL", True),
        (f"lt100.01|{UCUM}|mL", True),
        (f"ne100|{UCUM}|mL", False),
        (f"ap95|{UCUM}|mL", True),
        (f"ap90|{UCUM}|mL", False),
        ("100", True),
        ("100||mL", True),
        (f"100|{UCUM}|cm[H2O]", False),
        ("100|http://other.example|mL", False),
        (f"100|{UCUM}|nonsense", False),
    ],
)
def test_an_amount(asked: str, is_found: bool) -> None:
    value = {"value": Decimal("100"), "unit": "mL", "system": UCUM, "code": "mL"}
    assert finds("value-quantity", asked, valueQuantity=value) is is_found


def test_behind_a_prefix_a_number_is_exact_however_it_is_written() -> None:
    """9e1 is 85 to 95 by itself, and 90 behind gt (search.html#number)."""
    value = {"value": Decimal("93"), "unit": "mL", "system": UCUM, "code": "mL"}
    asked = ("9e1", "gt9e1", "ge9e1", "lt9e1", "ne9e1", "sa9e1")
    assert [finds("value-quantity", each, valueQuantity=value) for each in asked] == [
        True,
        True,
        True,
        False,
        False,
        True,
    ]


def test_a_lower_bound_is_found_by_what_it_may_be() -> None:
    value = {"value": Decimal("100"), "comparator": ">=", "unit": "mL", "system": UCUM, "code": "mL"}
    found = {
        prefix: finds("value-quantity", f"{prefix}500|{UCUM}|mL", valueQuantity=value)
        for prefix in ("eq", "ne", "gt", "ge", "lt", "le", "sa", "eb")
    }
    assert found == {
        "eq": False,
        "ne": True,
        "gt": True,
        "ge": True,
        "lt": True,
        "le": True,
        "sa": False,
        "eb": False,
    }


@pytest.mark.parametrize(
    ("name", "asked", "is_found"),
    [  # search.html#token
        ("code", "interval-output", True),
        ("code", f"{LOCAL}|interval-output", True),
        ("code", f"{LOCAL}|", True),
        ("code", "http://loinc.org|9129-8", True),
        ("code", "|9129-8", False),
        ("code", f"{LOCAL}|9129-8", False),
        ("code", "Interval-Output", False),
        ("code", "nothing,9129-8", True),
        ("code:not", "9129-8", False),
        ("code:not", "nothing", True),
        ("method:not", "nothing", True),  # what has none is not it either
        ("status", "final", True),
        ("status", "http://hl7.org/fhir/observation-status|final", True),
        ("status", "http://other.example|final", False),
        ("method:missing", "true", True),
        ("code:missing", "true", False),
        ("identifier", r"a\|b\,c", True),  # search.html#escaping
        ("identifier", r"https://i.example|a\|b\,c", True),
        ("identifier", "a|b", False),
    ],
)
def test_a_token(name: str, asked: str, is_found: bool) -> None:
    coding = [
        {"system": LOCAL, "code": "interval-output"},
        {"system": "http://loinc.org", "code": "9129-8"},
    ]
    identifier = [{"system": "https://i.example", "value": "a|b,c"}]
    assert finds(name, asked, status="final", code={"coding": coding}, identifier=identifier) is is_found


@pytest.mark.parametrize(
    ("name", "asked", "is_found"),
    [  # search.html#reference
        ("patient", "p-1", True),
        ("patient", "Patient/p-1", True),
        ("subject", "http://h/fhir/R4/Patient/p-1", True),
        ("subject:Patient", "p-1", True),
        ("subject", "Device/p-1", False),
        ("patient", "p-2", False),
        ("patient:identifier", "https://mrn.example|7", True),
        ("patient.identifier", "7", True),
        ("subject:Patient.identifier", "7", True),
        ("patient.identifier", "8", False),
        ("device", "Device/d-1", False),
        ("device", "DeviceMetric/d-1", True),
    ],
)
def test_a_reference(name: str, asked: str, is_found: bool) -> None:
    subject = {"reference": "Patient/p-1", "identifier": {"system": "https://mrn.example", "value": "7"}}
    device = {"reference": "DeviceMetric/d-1/_history/2"}
    assert finds(name, asked, subject=subject, device=device) is is_found


@pytest.mark.parametrize(
    "pair",
    [
        ("date", "yesterday"),
        ("date", "2026-02-30"),
        ("date", "ge"),
        ("date", "9999-12-31T23:59:60Z"),
        ("code", ""),
        ("code", "|"),
        ("code:in", "http://vs.example"),
        ("value-quantity", "much"),
        ("value-quantity", "1|mL"),
        ("patient", "Patient/"),
        ("patient", "http://elsewhere.example/Patient/p-1"),
        ("patient.name", "Smith"),
        ("date:missing", "perhaps"),
        ("_count", "-1"),
        ("_count", "many"),
        ("_sort", "weight"),
        ("_summary", "all"),
        ("_total", "some"),
        ("_include", "Observation"),
        ("_include", "Observation:status"),
        ("_revinclude", "*"),
        ("_has:Observation:code", "x"),
        ("_has:Observation:subject:_has:Observation:subject:code", "x"),
    ],
)
def test_what_can_not_be_asked_is_refused_in_words(pair: tuple[str, str]) -> None:
    with pytest.raises(SearchRefused) as refused:
        query(pair)
    assert len(refused.value.text) > 20
    # What was asked may be a patient's number.
    assert not pair[1] or len(pair[1]) < 5 or pair[1] not in refused.value.text


def test_what_is_not_known_is_passed_over_or_refused() -> None:
    passed = query(("colour", "red"), ("P-1042=x", "1"), ("code", "interval-output"))
    assert list(passed.ignored) == ["colour", "?"]
    assert list(passed.used) == [("code", "interval-output")]
    with pytest.raises(SearchRefused, match="period-end"):
        query(("colour", "red"), strict=True)


def test_what_narrows() -> None:
    narrow = query(
        ("patient", "Patient/a,b"), ("code", f"{LOCAL}|chamber-level"), ("_lastUpdated", "ge2026-03-01")
    )
    assert narrow.wanted_patients() == {"a", "b"}
    assert narrow.wanted_codes() == {"chamber-level"}
    since = narrow.since_updated()
    assert since is not None
    assert since < datetime(2026, 3, 1, tzinfo=UTC)
    wide = query(
        ("patient:missing", "false"), ("code:not", f"{LOCAL}|chamber-level"), ("_lastUpdated", "lt2026-03-01")
    )
    assert (wide.wanted_patients(), wide.wanted_codes(), wide.since_updated()) == (None, None, None)
    assert query(("code", "http://loinc.org|9129-8,chamber-level")).wanted_codes() is None
    assert query(("_id", "x,y"), ("_id", "y")).wanted_ids() == {"y"}


@pytest.mark.parametrize(
    ("name", "values"),
    [
        (
            "code",
            ["interval-output", "|none", f"{LOCAL}|", "http://loinc.org|9129-8", f"{LOCAL}|9129-8", "x"],
        ),
        (
            "identifier",
            ["7", "https://mrn.example|7", "https://mrn.example|", "|7", "https://other.example|7"],
        ),
        ("subject", ["p-1", "Patient/p-1", "p-1/_history/2", "Patient/p-1/_history/3", "Device/p-1", "p-2"]),
        ("patient.identifier", ["7", "https://mrn.example|7", "|7", "8"]),
    ],
)
def test_of_several_values_any_will_do(name: str, values: list[str]) -> None:
    """All pairs of them: as if each had been asked for by itself (search.html#combining)."""
    resource: dict[str, Any] = {
        "code": {"coding": [{"system": LOCAL, "code": "interval-output"}, {"code": "none"}]},
        "identifier": [{"system": "https://mrn.example", "value": "7"}],
        "subject": {
            "reference": "Patient/p-1/_history/2",
            "identifier": {"system": "https://mrn.example", "value": "7"},
        },
    }
    alone = {value: finds(name, value, **resource) for value in values}
    assert set(alone.values()) == {True, False}
    for one in values:
        for other in values:
            assert finds(name, f"{one},{other}", **resource) is (alone[one] or alone[other])


@pytest.mark.parametrize(
    "pairs",
    [
        [("code", ",".join(map(str, range(501))))],
        [("code", ",".join(map(str, range(300)))), ("status:not", ",".join(map(str, range(300))))],
        [("_has:Observation:focus:code", ",".join(map(str, range(251))))] * 2,
        [("date", ",".join(f"20{year:02}" for year in range(21)))],
        [("value-quantity", ",".join(map(str, range(11)))), ("date", ",".join(["2026"] * 10))],
        [("code", "x" * 70_000)],
    ],
)
def test_what_would_be_too_much_to_compare_is_refused(pairs: list[tuple[str, str]]) -> None:
    kind = "Device" if pairs[0][0].startswith("_has") else "Observation"
    with pytest.raises(SearchRefused) as refused:
        query(*pairs, type=kind)
    assert refused.value.issue == "too-costly"


def test_as_much_as_that_is_taken() -> None:
    many = query(
        ("code", ",".join(map(str, range(500)))), ("date", ",".join(f"20{year:02}" for year in range(20)))
    )
    assert many.matches({"code": {"coding": [{"code": "499"}]}, "effectiveDateTime": "2019-03-01"})


@pytest.mark.parametrize("zone", ["+14:30", "+99:99", "-15:00"])
def test_no_clock_is_that_far_from_utc(zone: str) -> None:
    with pytest.raises(SearchRefused):
        query(("date", f"2026-03-28T08:00:00{zone}"))
