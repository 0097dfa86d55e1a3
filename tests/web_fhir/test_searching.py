"""Searches over HTTP: links, forms, what comes along, what is passed over, and that answers are valid in R4 and R5
(R4 http.html#search, search.html)."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import urlsplit

import pytest

from drainledger.web.fhir import history as fhir_history
from drainledger.web.fhir import search as fhir_search
from tests.convert.journals import collector, connected, correction, drain, reading, retraction
from tests.web.http import Http, caller, key_for, settings_for
from tests.web_fhir.validity import problems

Json = dict[str, Any]
NUMBER = "P-1"
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def ids(bundle: Json, mode: str = "match") -> list[str]:
    return [
        f"{entry['resource']['resourceType']}/{entry['resource']['id']}"
        for entry in bundle.get("entry", [])
        if entry["search"]["mode"] == mode
    ]


def link(bundle: Json, relation: str) -> str | None:
    return next((each["url"] for each in bundle["link"] if each["relation"] == relation), None)


def found(http: Http, path: str, **named: Any) -> Json:
    answered = http.get(path, **named)
    assert answered.status_code == 200, answered.text
    bundle: Json = answered.json()
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "searchset")
    return bundle


@pytest.fixture
def patient(ward: Http) -> str:
    bundle = ward.call(
        "POST",
        "/fhir/R4/Patient/_search",
        content=f"identifier=https://ward.example/mrn%7C{NUMBER}",
        headers=FORM,
    ).json()
    (reference,) = ids(bundle)
    return reference


def test_a_search_says_what_it_asked_and_a_fresh_one_is_the_same(ward: Http, patient: str) -> None:
    bundle = found(ward, f"/fhir/R4/Observation?patient={patient}&code=interval-output&colour=red")
    itself = link(bundle, "self")
    assert itself is not None
    assert "colour" not in itself
    assert ids(found(ward, itself)) == ids(bundle) != []


@pytest.mark.parametrize("asked", ["patient.identifier", "subject:identifier", "subject:Patient.identifier"])
def test_no_link_holds_a_patients_number(busy: Http, asked: str) -> None:
    number = "P-1042"
    bundle = found(busy, "/fhir/R4/Observation", params={asked: number, "_count": 2})
    assert len(bundle["entry"]) == 2
    for each in bundle["link"]:
        assert number not in each["url"]
        assert found(busy, each["url"])["entry"]
    assert ids(found(busy, bundle["link"][0]["url"])) == ids(bundle)


def test_what_a_form_and_the_url_ask_is_asked_together(ward: Http, patient: str) -> None:
    by_form = ward.call(
        "POST",
        "/fhir/R4/Observation/_search?code=interval-output",
        content=f"patient={patient}",
        headers=FORM,
    ).json()
    by_url = found(ward, f"/fhir/R4/Observation?patient={patient}&code=interval-output")
    assert ids(by_form) == ids(by_url)
    itself = link(by_form, "self")
    assert itself is not None
    assert urlsplit(itself).path == "/fhir/R4/Observation"


@pytest.fixture
def busy(tmp_path: Path) -> Iterator[Http]:
    """A drain with forty readings."""
    with caller(settings_for(tmp_path)) as http:
        http.post(drain(), collector(), connected())
        for number in range(40):
            http.post(reading(f"r-{number}", f"{7 + number // 4:02}:{number % 4 * 15:02}", 10 * number + 10))
        yield http


def test_pages_show_one_moment_whatever_is_written_meanwhile(busy: Http) -> None:
    wanted = found(busy, "/fhir/R4/Observation?code=running-total&_count=500")
    writes: list[Json] = [
        correction("c-1", reading("r-5", "08:15", 60), "18:00", level={"value": 61, "unit": "mL"}),
        reading("late", "07:05", 15),
        retraction("x-1", "r-20", "18:01"),
    ]
    bundle = found(busy, "/fhir/R4/Observation?code=running-total&_count=7")
    seen = bundle["entry"]
    while (more := link(bundle, "next")) is not None:
        if writes:
            assert busy.post(writes.pop()).status_code == 200
        bundle = found(busy, more)
        seen += bundle["entry"]
    assert not writes
    assert [entry["resource"] for entry in seen] == [entry["resource"] for entry in wanted["entry"]]
    assert found(busy, "/fhir/R4/Observation?code=running-total&_count=500") != wanted


def test_a_cursor_is_good_for_its_list_and_tenant_alone(busy: Http) -> None:
    next_ = link(found(busy, "/fhir/R4/Observation?_count=1"), "next")
    assert next_ is not None
    cursor = next_.partition("cursor=")[2]
    stranger = key_for(busy.app, tenant="south")
    for path, key in (
        (f"/fhir/R4/Device?cursor={cursor}", ""),
        (f"/fhir/R5/Observation?cursor={cursor}", ""),
        (f"/fhir/R4/Observation?cursor={cursor}", stranger),
        (f"/fhir/R4/Observation?cursor={cursor[:-2]}", ""),
    ):
        answered = busy.get(path, key=key)
        assert answered.status_code == 400
        assert answered.json()["issue"][0]["details"]["text"].startswith("bad-cursor")


def test_what_is_not_known_is_told_or_refused(ward: Http) -> None:
    (outcome,) = [
        entry
        for entry in found(ward, "/fhir/R4/Device?colour=red")["entry"]
        if entry["search"]["mode"] == "outcome"
    ]
    assert outcome["resource"]["issue"][0]["code"] == "not-supported"
    assert "colour" in outcome["resource"]["issue"][0]["diagnostics"]
    strict = ward.get("/fhir/R4/Device?colour=red", headers={"Prefer": "handling=strict"})
    assert strict.status_code == 400
    assert strict.json()["issue"][0]["expression"] == ["http.colour"]


def test_what_comes_along(ward: Http, patient: str) -> None:
    bundle = found(
        ward,
        f"/fhir/R4/Observation?patient={patient}&code=interval-output&_include=Observation:derived-from"
        "&_include=Observation:device&_revinclude=Provenance:target",
    )
    along = {reference.partition("/")[0] for reference in ids(bundle, "include")}
    assert along == {"Observation", "DeviceMetric", "Provenance"}
    assert not set(ids(bundle)) & set(ids(bundle, "include"))


def test_counts_and_parts(ward: Http, patient: str) -> None:
    whole = found(ward, f"/fhir/R4/Observation?patient={patient}&_count=500")
    for asked in ("_summary=count", "_count=0"):
        counted = found(ward, f"/fhir/R4/Observation?patient={patient}&{asked}")
        assert (counted["total"], counted.get("entry")) == (len(whole["entry"]), None)
    part = found(ward, f"/fhir/R4/Observation?patient={patient}&_elements=value&_total=accurate&_count=3")
    assert part["total"] == len(whole["entry"])
    for entry in part["entry"]:
        assert "subject" not in entry["resource"]
        assert "status" in entry["resource"]  # a modifier stays
        assert entry["resource"]["meta"]["tag"][0]["code"] == "SUBSETTED"


def test_orders(ward: Http, patient: str) -> None:
    for asked, key in (("date", False), ("-date", True)):
        bundle = found(ward, f"/fhir/R4/Observation?patient={patient}&code=interval-output&_sort={asked}")
        ends = [entry["resource"]["effectivePeriod"]["end"] for entry in bundle["entry"]]
        assert ends == sorted(ends, reverse=key)
        assert len(set(ends)) > 2


def test_who_looked_at_what_is_for_who_answers_for_it(ward: Http) -> None:
    refused = ward.get("/fhir/R4/AuditEvent", key=key_for(ward.app, "read"))
    assert refused.status_code == 403
    assert refused.json()["issue"][0]["code"] == "forbidden"


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_answers_are_valid(ward: Http, conformance_dir: Path, fhir: Any) -> None:
    use = "DeviceUseStatement" if fhir == "R4" else "DeviceUsage"
    types = ["Patient", "Device", "DeviceMetric", use, "Observation", "DetectedIssue", "Provenance"]
    paths = [f"{type_}?_count=500" for type_ in types]
    paths += [
        "Observation?_summary=count",
        "Observation?colour=red&_count=1",
    ]
    paths += ["Observation?code=interval-output&_include=*&_revinclude=Provenance:target&_count=5"]
    paths += ["Observation?date=yesterday"]
    bodies = [ward.get(f"/fhir/{fhir}/{path}").content for path in paths]
    patient = ids(found(ward, f"/fhir/{fhir}/Patient"))[0]
    lastn = ward.get(f"/fhir/{fhir}/Observation/$lastn?patient={patient}&category=exam&max=2")
    assert lastn.status_code == 200
    assert problems([*bodies, lastn.content], fhir, conformance_dir) == []


@pytest.mark.parametrize(
    ("path", "module"), [("Observation", fhir_search), ("Observation/_history", fhir_history)]
)
def test_an_answer_is_written_where_nobody_else_waits(
    ward: Http, monkeypatch: pytest.MonkeyPatch, path: str, module: ModuleType
) -> None:
    """Thousands of resources take long to write: not on the thread that serves everybody."""
    wrote = set[int]()
    subset = module.subset

    def noting(*args: Any, **named: Any) -> Any:
        wrote.add(threading.get_ident())
        return subset(*args, **named)

    monkeypatch.setattr(module, "subset", noting)
    assert ward.get(f"/fhir/R4/{path}").status_code == 200
    assert len(wrote) == 1
    assert threading.get_ident() not in wrote


@pytest.mark.parametrize(
    "asked",
    [
        "Observation?patient=P-1042",
        "Observation?subject=Patient/P-1042,Patient/x",
        "Patient?_id=P-1042",
        "Device?_has:Observation:focus:patient=P-1042",
        "Observation/$lastn?patient=P-1042&category=exam",
    ],
)
def test_nor_one_that_stands_where_an_id_belongs(busy: Http, asked: str) -> None:
    for each in found(busy, f"/fhir/R4/{asked}")["link"]:
        assert "P-1042" not in each["url"]


def test_an_id_does_stand_in_the_link(ward: Http, patient: str) -> None:
    ident = patient.partition("/")[2]
    for asked in (f"Observation?patient={ident}", f"Patient?_id={ident}"):
        itself = link(found(ward, f"/fhir/R4/{asked}"), "self")
        assert itself is not None
        assert ident in itself


def test_the_last_of_each_says_what_it_passes_over(ward: Http, patient: str) -> None:
    """R4 observation-operation-lastn.html: what Observations are searched by, and max."""
    asked = f"/fhir/R4/Observation/$lastn?patient={patient}&category=exam"
    more = f"{asked}&_sort=date&_include:iterate=Observation:device&_count=1"
    plain, told = found(ward, asked), found(ward, more)
    assert ids(told) == ids(plain)
    (outcome,) = [each["resource"] for each in told["entry"] if each["search"]["mode"] == "outcome"]
    text = outcome["issue"][0]["diagnostics"]
    assert all(name in text for name in ("_sort", "_include", "_count"))
    assert ward.get(more, headers={"Prefer": "handling=strict"}).status_code == 400
    assert ward.get(asked, headers={"Prefer": "handling=strict"}).status_code == 200
    counted = found(ward, f"{asked}&_summary=count")
    assert (counted["total"], counted.get("entry")) == (len(ids(plain)), None)


@pytest.mark.parametrize("asked", ["patient:missing=false&category=exam", "patient=x&code:not=y"])
def test_the_last_of_everybody_can_not_be_asked_for(ward: Http, asked: str) -> None:
    assert ward.get(f"/fhir/R4/Observation/$lastn?{asked}").status_code == 400
