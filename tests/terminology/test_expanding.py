"""ValueSet/$expand. Source: hl7.org/fhir/R4 and /R5, valueset-operation-expand.html, valueset.html#expansion; the codes
are compared with mappings/codes.toml as tomllib reads it, filters with plain substring tests over it."""

from __future__ import annotations

import pytest

from drainledger.fhir import Fhir
from drainledger.fhir.terminology import TerminologyRefused
from tests.terminology.content import AT, BASE, SYSTEM, Json, ask, codes, content

V2 = "http://terminology.hl7.org/CodeSystem/v2-0550"
OBSERVED = "chest-drain-observation"


def coded(answer: Json) -> list[tuple[str, str, str]]:
    contains = answer["expansion"].get("contains", [])
    return [(each["system"], each["code"], each["display"]) for each in contains]


def expected(kind: str | None) -> list[tuple[str, str, str]]:
    return [(SYSTEM, code, table["display"]) for code, (of, table) in codes().items() if kind in (None, of)]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_each_set_holds_the_codes_of_its_kind(fhir: Fhir) -> None:
    for kind in {kind for kind, _ in codes().values()} - {"site"}:
        answer = ask("ValueSet", "expand", fhir, instance=f"chest-drain-{kind}")
        assert coded(answer) == expected(kind)
        assert answer["expansion"]["total"] == len(expected(kind))
    assert coded(ask("ValueSet", "expand", fhir, instance="chest-drain")) == expected(None)


def test_sites_come_with_the_standard_codes_beside_them() -> None:
    standard = sorted(
        {
            (V2, each["code"], each["display"])
            for kind, table in codes().values()
            if kind == "site"
            for each in table.get("standard", ())
        }
    )
    assert coded(ask("ValueSet", "expand", url=f"{BASE}/ValueSet/drain-site")) == expected("site") + standard


def test_a_filter_takes_every_word_of_code_or_display() -> None:
    for text in ("pleur", "LEFT pleural", "site-right", "nothing of the kind", "o"):
        words = text.lower().split()
        wanted = [each for each in expected(None) if all(w in f"{each[1]} {each[2]}".lower() for w in words)]
        answer = ask("ValueSet", "expand", instance="chest-drain", filter=text)
        assert coded(answer) == wanted
        assert answer["expansion"]["total"] == len(wanted)


def test_pages_add_up_to_the_whole_under_one_identifier() -> None:
    whole = ask("ValueSet", "expand", instance=OBSERVED)
    pages = [
        ask("ValueSet", "expand", instance=OBSERVED, offset=str(at), count="7") for at in range(0, 42, 7)
    ]
    assert [code for page in pages for code in coded(page)] == coded(whole)
    assert {page["expansion"]["identifier"] for page in pages} == {whole["expansion"]["identifier"]}
    assert [page["expansion"]["offset"] for page in pages] == list(range(0, 42, 7))
    assert {page["expansion"]["total"] for page in pages} == {len(coded(whole))}
    assert "offset" not in whole["expansion"]
    other = ask("ValueSet", "expand", instance=OBSERVED, filter="rate")
    assert other["expansion"]["identifier"] != whole["expansion"]["identifier"]


def test_no_count_asks_how_large_it_is() -> None:
    answer = ask("ValueSet", "expand", instance=OBSERVED, count="0")
    assert answer["expansion"]["total"] == len(expected("observation"))
    assert "contains" not in answer["expansion"]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_what_it_went_by_is_told(fhir: Fhir) -> None:
    answer = ask(
        "ValueSet",
        "expand",
        fhir,
        instance="drain-site",
        filter="pleu",
        includeDesignations="true",
        displayLanguage="de",
        exclude__system=[V2],
    )
    told = [tuple(each.values()) for each in answer["expansion"]["parameter"]]
    used = "version" if fhir == "R4" else "used-codesystem"
    assert told == [
        ("filter", "pleu"),
        ("includeDesignations", True),
        ("exclude-system", V2),
        ("displayLanguage", "en"),
        (used, f"{SYSTEM}|{content(fhir).system.version}"),
    ]
    assert answer["expansion"]["timestamp"] == AT
    assert {system for system, _, _ in coded(answer)} == {SYSTEM}


def test_the_definition_is_there_when_it_is_asked_for() -> None:
    """'ValueSet.status and ValueSet.version [...] SHALL be persisted to the ValueSet' that has the expansion."""
    definition = content("R4").read("ValueSet", OBSERVED)
    assert definition is not None
    plain = ask("ValueSet", "expand", instance=OBSERVED)
    assert "compose" not in plain
    assert (plain["version"], plain["status"]) == (definition.version, "active")
    assert "Not a medical device" in plain["description"]
    assert ask("ValueSet", "expand", instance=OBSERVED, includeDefinition="true")["compose"]


REFUSED: dict[str, tuple[dict[str, object], str]] = {
    "an unknown value set": ({"url": f"{BASE}/ValueSet/other"}, "not-found"),
    "none": ({}, "required"),
    "a count below nothing": ({"url": f"{BASE}/ValueSet/drain-site", "count": "-1"}, "value"),
    "a count in words": ({"url": f"{BASE}/ValueSet/drain-site", "count": "ten"}, "value"),
    "a count that is no integer": ({"url": f"{BASE}/ValueSet/drain-site", "count": True}, "invalid"),
    "another's version of a system": (
        {"url": f"{BASE}/ValueSet/drain-site", "force__system-version": "x|1"},
        "not-supported",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused(name: str) -> None:
    given, issue = REFUSED[name]
    with pytest.raises(TerminologyRefused) as refused:
        ask("ValueSet", "expand", "R4", None, **given)
    assert refused.value.issue == issue
