"""The harness itself: every deliberate fault is caught by the rule that is there for it, and good resources pass.

`good.ndjson` is written after the project's FHIR representation by hand; `broken/index.toml` names each fault and the
rules that must see it, no more and no fewer: a rule that fires at random is as bad as one that never does.
"""

from __future__ import annotations

import json
import re
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.harness.models import check_models, differences
from tests.harness.node import judge, list_invariants, ucum_convert, ucum_valid, validate

HERE = Path(__file__).parent
CONFORMANCE = HERE / "conformance_min"
GOOD = HERE / "good.ndjson"
CASES: dict[str, Any] = tomllib.loads((HERE / "broken" / "index.toml").read_text("utf-8"))

# The faults of the project's FHIR notes (what the validators see), and the ledger's own.
PROMISED = {
    *(
        "unknown-element",
        "missing-element",
        "required-binding",
        "reference-type",
        "calendar",
        "zone",
        "empty",
    ),
    *(
        "bad-id",
        "obs-6",
        "obs-7",
        "dom-3",
        "ele-1",
        "per-1",
        "qty-3",
        "ref-1",
        "ucum",
        "ucum-litre",
        "local-code",
    ),
    *("local-display", "standard-code", "ledger-code", "comparator", "interval-overlap", "interval-gap"),
    *("total-not-sum", "dangling-reference", "duplicate-id", "value-or-reason", "dl-io-4", "cardinality"),
}


def lines_of(path: Path) -> list[str]:
    return path.read_text("utf-8").splitlines()


def identity(line: str) -> tuple[str, str] | None:
    try:
        resource = json.loads(line)
    except ValueError:
        return None
    return resource.get("resourceType"), resource.get("id")


def with_fault(name: str) -> list[str]:
    """The good set, with the broken lines in the place of the good ones that have the same id."""
    broken = lines_of(HERE / "broken" / f"{name}.ndjson")
    replaced = {identity(line) for line in broken}
    return [line for line in lines_of(GOOD) if identity(line) not in replaced] + broken


def test_good_resources_have_no_problem() -> None:
    verdict = judge([GOOD], CONFORMANCE)
    assert verdict.problems == []
    assert verdict.summary["resources"] == len(lines_of(GOOD))
    assert check_models(lines_of(GOOD)) == []


def test_the_conformance_fixture_has_no_problem() -> None:
    files = sorted(CONFORMANCE.glob("*.json"))
    assert validate(files, CONFORMANCE) == []


def test_every_broken_file_is_in_the_index() -> None:
    assert {path.stem for path in (HERE / "broken").glob("*.ndjson")} == set(CASES)
    assert {case["rule"] for case in CASES.values()} >= PROMISED


@pytest.mark.parametrize("name", CASES)
def test_fault_is_caught_by_its_rule(name: str) -> None:
    case = CASES[name]
    lines = with_fault(name)
    problems = validate(lines, CONFORMANCE)
    parsable = [line for line in lines if identity(line)]
    problems += check_models(parsable)
    assert sorted({problem.rule for problem in problems}) == sorted({case["rule"], *case.get("also", [])}), [
        str(problem) for problem in problems
    ]


def test_problem_says_where() -> None:
    lines = with_fault("obs-6")
    [problem] = [each for each in validate(lines, CONFORMANCE) if each.rule == "obs-6"]
    assert problem.line == len(lines)
    assert problem.resource_type == "Observation"
    assert str(problem).startswith(f"line {len(lines)} Observation/{problem.id}: error [obs-6]")


def test_references_outside_the_set_are_allowed_by_name_only() -> None:
    lines = [line for line in lines_of(GOOD) if identity(line) != ("Patient", patient_id())]
    assert {each.rule for each in validate(lines, CONFORMANCE)} == {"dangling-reference"}
    assert validate(lines, CONFORMANCE, external=[f"Patient/{patient_id()}"]) == []
    assert validate(lines, CONFORMANCE, external=["Patient/*"]) == []


def patient_id() -> str:
    [found] = [key[1] for line in lines_of(GOOD) if (key := identity(line)) and key[0] == "Patient"]
    return found


def test_the_latest_of_several_versions_counts() -> None:
    lines = [*lines_of(HERE / "broken" / "total.ndjson"), *lines_of(GOOD)]
    assert "total-not-sum" in {each.rule for each in validate(lines, CONFORMANCE)}
    assert validate(lines, CONFORMANCE, latest=True) == []


def test_a_bundle_is_judged_like_its_entries() -> None:
    entries = [
        {"fullUrl": f"https://ehr.example/fhir/{'/'.join(identity(line) or ())}"} for line in lines_of(GOOD)
    ]
    texts = [
        json.dumps(entry)[:-1] + f', "resource": {line}}}'
        for entry, line in zip(entries, lines_of(GOOD), strict=True)
    ]
    bundle = f'{{"resourceType": "Bundle", "type": "collection", "entry": [{", ".join(texts)}]}}'
    verdict = judge([bundle], CONFORMANCE)
    assert verdict.problems == []
    assert verdict.summary["resources"] == 1 + len(entries)
    assert check_models([bundle]) == []


def test_two_threads_judge_like_one() -> None:
    """Beyond some hundred lines a second thread takes half of them."""
    [patient] = [line for line in lines_of(GOOD) if identity(line) == ("Patient", patient_id())]
    patients = [patient.replace(patient_id(), f"p{n}").replace("P-1042", f"P-{n}") for n in range(1200)]
    patients[1100] = patients[1100].replace("{", '{"gender":"nobody",', 1)
    verdict = judge(patients, CONFORMANCE)
    assert [(each.line, each.rule) for each in verdict.problems] == [(1101, "required-binding")]
    assert verdict.summary["resources"] == 1200


def test_nothing_to_check_is_a_problem() -> None:
    assert [problem.rule for problem in validate(["", "\n"], CONFORMANCE)] == ["nothing-to-check"]


def test_every_invariant_compiles_or_is_listed() -> None:
    *listed, count = list_invariants(CONFORMANCE).splitlines()
    assert count.endswith("compile, 0 do not")
    assert [line.split(":")[1].strip() for line in listed if line.startswith("not evaluated")] == ["dom-6"]


def test_r5_models_refuse_and_compare() -> None:
    good = (
        '{"resourceType":"DeviceUsage","id":"u1","status":"active","patient":{"reference":"Patient/p"},'
        '"device":{"reference":{"reference":"Device/d"}},"dateAsserted":"2026-03-02T08:00:00.120-05:00"}'
    )
    assert check_models([good], "R5") == []
    for fault in ('"status":"active"', '"patient":{"reference":"Patient/p"},', '"device":'):
        broken = good.replace(
            fault, fault.replace("active", "").replace("patient", "subject").replace("vice", "vise")
        )
        assert {each.rule for each in check_models([broken], "R5")} == {"fhir.resources"}, fault
    assert {each.rule for each in check_models([good], "R4")} == {"fhir.resources"}


def test_content_is_compared_by_value() -> None:
    same = {"a": Decimal("20.0"), "b": "2026-03-02T08:00:00.120-05:00", "c": [True]}
    assert list(differences(same, {"a": 20, "b": "2026-03-02T13:00:00.120000+00:00", "c": [True]})) == []
    assert list(differences(same, {"a": Decimal("20.01"), "b": "2026-03-02", "c": [1], "d": 1})) == [
        ".a",
        ".b",
        ".c[0]",
        ".d",
    ]


def test_ucum_codes_as_written() -> None:
    """UCUM specification, case-sensitive codes; asked of @lhncbc/ucum-lhc."""
    answers = {"mL": True, "cm[H2O]": True, "mL/kg/h": True, "{score}": True, "cc": False, "cmH2O": False}
    assert ucum_valid(answers) == answers


def test_ucum_conversions() -> None:
    """1 kPa = 10.19716 cmH2O and 1 US fl oz = 29.57353 mL: NIST SP 811 (2008), appendix B.8."""
    kpa, ounce, nonsense = ucum_convert(
        [(Decimal(1), "kPa", "cm[H2O]"), (Decimal(1), "[foz_us]", "mL"), (Decimal(1), "mL", "cm[H2O]")]
    )
    assert kpa == pytest.approx(Decimal("10.19716"), rel=Decimal("1e-5"))
    assert ounce == pytest.approx(Decimal("29.57353"), rel=Decimal("1e-5"))
    assert nonsense is None


AMOUNTS = [
    line
    for line in lines_of(GOOD)
    if "valueQuantity" in line and re.search(r'"code":"[a-z-]*(output|total|rate)"', line)
]


@pytest.mark.parametrize("line", AMOUNTS, ids=lambda line: str(json.loads(line)["id"]).split("-")[-1])
def test_an_amount_that_is_off_by_a_tenth_is_seen(line: str) -> None:
    """Whichever amount is changed, an interval, a total, a charted total or a rate: something no longer adds up."""
    stated = re.search(r'"value":([\d.]+)', line)
    assert stated is not None
    changed = line.replace(stated[0], f'"value":{Decimal(stated[1]) + Decimal("0.1")}')
    lines = [changed if each == line else each for each in lines_of(GOOD)]
    assert {each.rule for each in validate(lines, CONFORMANCE)} & {
        "total-not-sum",
        "charted-total-not-sum",
        "rate-not-quotient",
    }
