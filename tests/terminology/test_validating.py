"""$validate-code of CodeSystem and ValueSet. Source: hl7.org/fhir/R4/codesystem-operation-validate-code.html, where
`result` is 'True if the concept details supplied are valid', `message` 'Error details, if result = false', and the
example answers a wrong display with false, a message and the right display; R5 adds code, system, version, issues."""

from __future__ import annotations

import pytest

from drainledger.fhir import Fhir
from drainledger.fhir.terminology import TerminologyRefused
from tests.terminology.content import BASE, SYSTEM, ask, codes, content, values

SITES = f"{BASE}/ValueSet/drain-site"
V2 = "http://terminology.hl7.org/CodeSystem/v2-0550"


def url_of(kind: str) -> str:
    return SITES if kind == "site" else f"{BASE}/ValueSet/chest-drain-{kind}"


def test_every_code_is_in_the_system_in_all_codes_and_in_its_kind_alone() -> None:
    kinds = {kind for kind, _ in codes().values()}
    for code, (kind, table) in codes().items():
        whole = ask("CodeSystem", "validate-code", url=SYSTEM, code=code, display=table["display"])
        assert values(whole) == {"result": True, "display": table["display"]}
        for each in (f"{BASE}/ValueSet/chest-drain", *map(url_of, kinds)):
            answer = values(ask("ValueSet", "validate-code", url=each, system=SYSTEM, code=code))
            assert answer["result"] is (each in (f"{BASE}/ValueSet/chest-drain", url_of(kind)))
            assert ("message" in answer) is not answer["result"]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_a_wrong_display_is_not_valid(fhir: Fhir) -> None:
    given = {"system": SYSTEM, "code": "interval-output", "display": "test"}
    told = values(ask("ValueSet", "validate-code", fhir, instance="chest-drain-observation", **given))
    assert told["result"] is False
    assert told["message"] == "The display is incorrect: that of interval-output is 'Interval output'."
    assert told["display"] == "Interval output"


def test_displays_are_words_for_people() -> None:
    told = ask("CodeSystem", "validate-code", url=SYSTEM, code="interval-output", display="INTERVAL  output")
    assert values(told)["result"] is True


def test_r5_says_what_was_validated_and_itemises() -> None:
    right = values(ask("ValueSet", "validate-code", "R5", url=SITES, system=V2, code="PLEUR"))
    assert right == {"result": True, "display": "Pleura", "code": "PLEUR", "system": V2}
    wrong = ask(
        "ValueSet",
        "validate-code",
        "R5",
        url=SITES,
        coding={"system": V2, "code": "PLEUR", "display": "Lung"},
    )
    (issues,) = [each["resource"] for each in wrong["parameter"] if each["name"] == "issues"]
    assert [each["expression"] for each in issues["issue"]] == [["Coding.display"]]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_of_a_concept_one_coding_is_enough_unless_it_is_said_wrongly(fhir: Fhir) -> None:
    right = {"system": SYSTEM, "code": "site-pleural"}
    other = {"system": "http://example.org/other", "code": "x"}
    both = ask("ValueSet", "validate-code", fhir, url=SITES, codeableConcept={"coding": [other, right]})
    assert values(both)["result"] is True
    if fhir == "R5":
        assert [each["code"] for each in values(both)["codeableConcept"]["coding"]] == ["site-pleural"]
    wrong = {**right, "display": "Mediastinum"}
    assert not values(
        ask("ValueSet", "validate-code", fhir, url=SITES, codeableConcept={"coding": [wrong, other]})
    )["result"]
    assert not values(ask("ValueSet", "validate-code", fhir, url=SITES, codeableConcept={"coding": [other]}))[
        "result"
    ]


def test_versions_and_systems_are_part_of_what_is_said() -> None:
    own = {"system": SYSTEM, "code": "chamber"}
    version = content("R4").system.version
    assert values(
        ask("ValueSet", "validate-code", instance="chest-drain", coding={**own, "version": version})
    )["result"]
    assert not values(
        ask("ValueSet", "validate-code", instance="chest-drain", coding={**own, "version": "0"})
    )["result"]
    assert not values(ask("ValueSet", "validate-code", instance="chest-drain", coding={"code": "chamber"}))[
        "result"
    ]
    assert not values(ask("CodeSystem", "validate-code", url=SYSTEM, coding={"system": V2, "code": "PLEUR"}))[
        "result"
    ]


def test_of_another_system_only_what_is_known_is_judged() -> None:
    """Nobody here knows all of LOINC: no 'false' for a code that may well be in it."""
    assert values(ask("CodeSystem", "validate-code", url="http://loinc.org", code="9129-8"))["result"] is True
    with pytest.raises(TerminologyRefused) as refused:
        ask("CodeSystem", "validate-code", url="http://loinc.org", code="no-such-code")
    assert refused.value.issue == "not-found"


def test_an_ignored_language_is_told() -> None:
    told = values(ask("CodeSystem", "validate-code", url=SYSTEM, code="chamber", displayLanguage="nl"))
    assert told["result"] is True
    assert "displayLanguage was not used" in told["message"]


REFUSED: dict[str, tuple[dict[str, object], str]] = {
    "an unknown value set": (
        {"url": f"{BASE}/ValueSet/other", "system": SYSTEM, "code": "chamber"},
        "not-found",
    ),
    "an unknown version of it": (
        {"url": SITES, "valueSetVersion": "0", "system": SYSTEM, "code": "chamber"},
        "not-found",
    ),
    "that version behind a bar": ({"url": f"{SITES}|0", "system": SYSTEM, "code": "chamber"}, "not-found"),
    "a code without a system": ({"url": SITES, "code": "chamber"}, "required"),
    "no value set": ({"system": SYSTEM, "code": "chamber"}, "required"),
    "a context": ({"context": "x", "system": SYSTEM, "code": "chamber"}, "not-supported"),
    "an empty concept": ({"url": SITES, "codeableConcept": {"coding": []}}, "required"),
    "no boolean": ({"url": SITES, "system": SYSTEM, "code": "chamber", "abstract": "perhaps"}, "value"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    given, issue = REFUSED[name]
    with pytest.raises(TerminologyRefused) as refused:
        ask("ValueSet", "validate-code", "R4", None, **given)
    assert refused.value.issue == issue
