"""ConceptMap/$translate. Source: hl7.org/fhir/R4 and /R5, conceptmap-operation-translate.html. The answers of R4 are
those of `conceptMapTranslate` in the npm package @medplum/core; the others follow from mappings/codes.toml."""

from __future__ import annotations

import json
import subprocess
from typing import Any

import pytest

from drainledger.fhir.terminology import TerminologyRefused
from tests.harness.node import command
from tests.terminology.content import BASE, SYSTEM, Json, ask, codes, content, groups, values

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
MAP = f"{BASE}/ConceptMap/chest-drain"
#: R5 concept-map-relationship, read from the source, of R4's equivalence, which describes the target.
R5_WORDS = {
    "equivalent": "equivalent",
    "wider": "source-is-narrower-than-target",
    "inexact": "related-to",
}
REVERSED = {"equivalent": "equivalent", "wider": "narrower", "inexact": "inexact"}


def by_medplum(asked: list[dict[str, str]]) -> list[Json]:
    concept_map = content("R4").read("ConceptMap", "chest-drain")
    assert concept_map is not None
    request = json.dumps({"map": concept_map.resource, "asked": asked})
    done = subprocess.run(command("translate.mjs"), input=request, capture_output=True, text=True, check=True)
    answers: list[Json] = json.loads(done.stdout)
    return answers


def targets() -> set[str]:
    return {each["system"] for _, table in codes().values() for each in table.get("standard", ())}


def pairs() -> list[tuple[str, Json]]:
    """Each (local code, standard code) that the mapping file has."""
    return [
        (code, each)
        for code, (_, table) in codes().items()
        for each in table.get("standard", ())
        if "code" in each
    ]


def test_as_another_library_translates() -> None:
    """Every code, to every system and to any; that library answers 'unmatched' with result true, which the page rules
    out: 'The value can only be true if at least one returned match has an equivalence which is not unmatched'."""
    asked = [
        {"code": code, "system": SYSTEM} | ({} if target is None else {"targetsystem": target})
        for code in codes()
        for target in (None, *sorted(targets()))
    ]
    hits = 0
    for given, theirs in zip(asked, by_medplum(asked), strict=True):
        ours = ask("ConceptMap", "translate", "R4", None, **given)
        wanted = [_plain(each) for each in theirs.get("match", [])]
        found = [_plain(each) for each in groups(ours, "match")]
        assert sorted(found) == sorted(wanted)
        assert values(ours)["result"] is any(word != "unmatched" for word, _, _ in wanted)
        hits += len(found)
    assert hits == 2 * sum(len(table.get("standard", ())) for _, table in codes().values())


def _plain(match: Json) -> tuple[str, str, str]:
    concept: dict[str, Any] = match.get("concept", {})
    return (
        match["equivalence"],
        concept.get("system", "") if "code" in concept else "",
        concept.get("code", ""),
    )


def test_r5_reads_from_the_source() -> None:
    for code, standard in pairs():
        answer = ask(
            "ConceptMap", "translate", "R5", system=SYSTEM, sourceCode=code, targetSystem=standard["system"]
        )
        (match,) = groups(answer, "match")
        assert match["relationship"] == R5_WORDS[standard["relation"]]
        assert (match["concept"]["code"], match["concept"]["display"]) == (
            standard["code"],
            standard["display"],
        )
        assert match["originMap"] == MAP


def test_the_other_way_round() -> None:
    """R4 describes what was found, so wider turns narrower; R5 reads from source to target in either direction."""
    for system, code in {(each["system"], each["code"]) for _, each in pairs()}:
        wanted = {
            local: each["relation"]
            for local, each in pairs()
            if (each["system"], each["code"]) == (system, code)
        }
        r4 = groups(ask("ConceptMap", "translate", "R4", system=system, code=code, reverse="true"), "match")
        assert {each["concept"]["code"]: each["equivalence"] for each in r4} == {
            local: REVERSED[word] for local, word in wanted.items()
        }
        r5 = groups(
            ask("ConceptMap", "translate", "R5", targetCoding={"system": system, "code": code}), "match"
        )
        assert {each["concept"]["code"]: each["relationship"] for each in r5} == {
            local: R5_WORDS[word] for local, word in wanted.items()
        }


def test_only_interval_output_translates_to_what_is_added_up() -> None:
    """FHIR.md 1: LOINC 9129-8 stands on interval outputs only."""
    for code in codes():
        answer = ask(
            "ConceptMap", "translate", instance="chest-drain", system=SYSTEM, code=code, targetsystem=LOINC
        )
        found = [each["concept"]["code"] for each in groups(answer, "match") if "concept" in each]
        assert ("9129-8" in found) is (code == "interval-output")


def test_that_a_level_is_no_output_is_said() -> None:
    r4 = ask("ConceptMap", "translate", system=SYSTEM, code="chamber-level", targetsystem=LOINC)
    assert values(r4)["result"] is False
    assert groups(r4, "match")[0]["equivalence"] == "unmatched"
    assert "it must never be sent as 9129-8" in values(r4)["message"]
    r5 = ask("ConceptMap", "translate", "R5", system=SYSTEM, sourceCode="chamber-level", targetSystem=LOINC)
    assert values(r5) == {"result": False, "message": "LOINC: the map says that no code fits."}


def test_within_value_sets() -> None:
    sites = f"{BASE}/ValueSet/drain-site"
    given = {"system": SYSTEM, "code": "site-pleural", "url": MAP}
    assert values(ask("ConceptMap", "translate", target=sites, source=sites, **given))["result"] is True
    other = f"{BASE}/ValueSet/chest-drain-finding"
    assert values(ask("ConceptMap", "translate", source=other, **given))["result"] is False
    assert values(ask("ConceptMap", "translate", target=other, **given))["result"] is False


def test_a_concept_by_all_its_codings() -> None:
    concept = {
        "coding": [{"system": SYSTEM, "code": "interval-output"}, {"system": SYSTEM, "code": "drain-number"}]
    }
    found = groups(ask("ConceptMap", "translate", codeableConcept=concept), "match")
    assert [each["concept"]["code"] for each in found] == ["9129-8", "251843005", "81664-5"]


def test_where_there_is_none_it_says_so() -> None:
    told = values(ask("ConceptMap", "translate", system=SYSTEM, code="patency"))
    assert told == {
        "result": False,
        "message": "There is no mapping: see the ConceptMap for those there are.",
    }
    elsewhere = values(
        ask("ConceptMap", "translate", system=SYSTEM, code="interval-output", targetsystem="urn:x")
    )
    assert elsewhere["result"] is False


REFUSED: dict[str, tuple[dict[str, object], str]] = {
    "an unknown map": ({"url": f"{BASE}/ConceptMap/other", "system": SYSTEM, "code": "chamber"}, "not-found"),
    "an unknown code": ({"system": SYSTEM, "code": "nothing-like-it"}, "not-found"),
    "an unknown system": ({"system": "http://example.org", "code": "chamber"}, "not-found"),
    "an unknown target value set": (
        {"system": SYSTEM, "code": "chamber", "target": f"{BASE}/ValueSet/other"},
        "not-found",
    ),
    "a code alone": ({"code": "chamber"}, "required"),
    "a name of R5": ({"system": SYSTEM, "sourceCode": "chamber"}, "invalid"),
    "a dependency": ({"system": SYSTEM, "code": "chamber", "dependency": "x"}, "not-supported"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    given, issue = REFUSED[name]
    with pytest.raises(TerminologyRefused) as refused:
        ask("ConceptMap", "translate", "R4", None, **given)
    assert refused.value.issue == issue
