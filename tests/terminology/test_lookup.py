"""CodeSystem/$lookup. Source of the rules: hl7.org/fhir/R4 and /R5, codesystem-operation-lookup.html; the facts are
compared with mappings/codes.toml as tomllib reads it."""

from __future__ import annotations

import pytest

from drainledger.fhir import Fhir
from drainledger.fhir.terminology import TerminologyRefused
from tests.terminology.content import BASE, SYSTEM, ask, codes, content, groups, values

BOTH: list[Fhir] = ["R4", "R5"]


@pytest.mark.parametrize("code", codes())
def test_every_code_says_what_the_mapping_says(code: str) -> None:
    kind, table = codes()[code]
    r4, r5 = (ask("CodeSystem", "lookup", fhir, system=SYSTEM, code=code) for fhir in BOTH)
    for answer in (r4, r5):
        assert values(answer)["display"] == table["display"]
        assert values(answer)["name"] == "Chest-drain record"
    told = {each["code"]: each["value"] for each in groups(r4, "property")}
    assert told == {"kind": kind, "definition": table["definition"]}
    assert values(r5)["definition"] == table["definition"]  # a parameter of its own since R5
    assert groups(r5, "property") == [{"code": "kind", "value": kind}]


def test_a_standard_code_that_a_local_one_maps_to_is_known_by_name() -> None:
    found = {
        (each["system"], each["code"]): each["display"]
        for _, table in codes().values()
        for each in table.get("standard", ())
        if "code" in each
    }
    assert len(found) == 7  # 9129-8, 81664-5, 251843005, 157740, PLEUR, MEDST, CHEST
    for (system, code), display in found.items():
        told = values(ask("CodeSystem", "lookup", system=system, code=code))
        assert told["display"] == display
        assert "version" not in told  # of what is not ours none is known


def test_what_is_asked_for_is_told_and_no_more() -> None:
    answer = ask("CodeSystem", "lookup", system=SYSTEM, code="tidaling-swing", property=["kind", "parent"])
    assert groups(answer, "property") == [{"code": "kind", "value": "component"}]


def test_by_coding_and_of_the_instance() -> None:
    plain = ask("CodeSystem", "lookup", "R5", system=SYSTEM, code="capacity")
    coding = {"system": SYSTEM, "code": "capacity", "version": content("R5").system.version}
    assert ask("CodeSystem", "lookup", "R5", coding=coding) == plain
    assert ask("CodeSystem", "lookup", "R5", instance="chest-drain", code="capacity") == plain
    assert ask("CodeSystem", "lookup", "R5", system=SYSTEM, code="capacity", displayLanguage="de") == plain
    assert plain["language"] == "en"


REFUSED: dict[str, tuple[dict[str, object], str, list[str]]] = {
    "an unknown code": ({"system": SYSTEM, "code": "nothing-like-it"}, "not-found", ["http.code"]),
    "an unknown system": ({"system": f"{BASE}/CodeSystem/other", "code": "x"}, "not-found", ["http.code"]),
    "a code of LOINC that nobody mapped": (
        {"system": "http://loinc.org", "code": "no-such-code"},
        "not-found",
        ["http.code"],
    ),
    "an old version": ({"system": SYSTEM, "code": "chamber", "version": "0"}, "not-found", ["http.code"]),
    "a code without its system": ({"code": "chamber"}, "required", ["http.code"]),
    "nothing": ({}, "required", []),
    "an unknown property": (
        {"system": SYSTEM, "code": "chamber", "property": "colour"},
        "not-found",
        ["http.property"],
    ),
    "a date": ({"system": SYSTEM, "code": "chamber", "date": "2020-01-01"}, "not-supported", ["http.date"]),
    "an unknown parameter": (
        {"system": SYSTEM, "code": "chamber", "colour": "red"},
        "invalid",
        ["http.colour"],
    ),
    "a name that might be somebody's": ({"P-1042 Smith": "x"}, "invalid", ["http.?"]),
    "a parameter twice": ({"system": SYSTEM, "code": ["a", "b"]}, "invalid", ["http.code"]),
    "a coding without a code": (
        {"coding": {"system": SYSTEM}},
        "required",
        ["Parameters.parameter[0].value"],
    ),
    "a coding and a code": (
        {"code": "chamber", "coding": {"system": SYSTEM, "code": "chamber"}},
        "invalid",
        ["Parameters.parameter[0].value", "Parameters.parameter[1].value"],
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    given, issue, where = REFUSED[name]
    with pytest.raises(TerminologyRefused) as refused:
        ask("CodeSystem", "lookup", "R4", None, **given)
    assert (refused.value.issue, list(refused.value.where)) == (issue, where)
    assert refused.value.text.endswith(".")
