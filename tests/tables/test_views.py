"""A table and its ViewDefinition, run by another's runner over the same resources, give the same rows."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from drainledger.convert.pipeline import convert
from drainledger.convert.report import Report
from drainledger.convert.settings import Settings
from drainledger.convert.tables import decoded
from drainledger.fhir.tables import TABLES, view_definitions
from drainledger.rest.scan import VersionsSource
from drainledger.rest.stored import Wanted
from tests.convert.journals import ward
from tests.fhir import samples
from tests.journals.books import line
from tests.journals.seeded import journal
from tests.tables.views import by_table, by_view, names
from tests.web.http import caller, settings_for, store_of

ROOT = Path(__file__).resolve().parents[2]
SEEDS = range(12)


def resources_of(lines: Iterable[bytes]) -> list[dict[str, Any]]:
    settings = Settings(emit="resources", received_at=datetime(2026, 12, 1, tzinfo=UTC), base=samples.BASE)
    emitted = b"".join(convert(enumerate(lines, 1), settings, Report(lambda _: None)))
    return [decoded(one) for one in emitted.splitlines()]


@lru_cache(maxsize=1)
def demo() -> list[dict[str, Any]]:
    return resources_of((ROOT / "fixtures" / "ward.ndjson").read_bytes().splitlines())


@pytest.mark.parametrize("name", names())
def test_the_demonstration_ward(name: str) -> None:
    table, resources = TABLES[name], demo()
    rows = by_table(table, resources)
    assert sum(rows.values()) > 50
    assert by_view(table, resources) == rows


@pytest.mark.parametrize("seed", SEEDS)
def test_generated_journals(seed: int) -> None:
    """With late entries, corrections and retractions."""
    resources = resources_of(map(line, journal(seed)))
    for table in TABLES.values():
        assert by_view(table, resources) == by_table(table, resources), table.name


def test_what_is_stored_with_its_history(tmp_path: Path) -> None:
    """As a server gives it: amended, corrected and withdrawn, each as it stands."""
    with caller(settings_for(tmp_path)) as http:
        for record in ward():
            assert http.post(record).status_code == 200
        wanted = Wanted(types=frozenset({"Observation"}))
        with store_of(http.app).read("north") as read:
            resources = [
                one.resource("R4") for _, one in VersionsSource().scan(read, wanted, read.last_seq())
            ]
    statuses = Counter(one["status"] for one in resources)
    assert {"final", "amended", "corrected", "entered-in-error"} <= statuses.keys()
    for table in TABLES.values():
        rows = by_table(table, resources)
        assert rows, table.name
        assert by_view(table, resources) == rows


def test_the_journals_hold_what_is_hard() -> None:
    """Or the tests above would say less than they seem to."""
    bounds: Counter[str] = Counter()
    for seed in SEEDS:
        table = TABLES["intervals"]
        place = [column.name for column in table.columns].index("bound")
        bounds.update(str(row[place]) for row in by_table(table, resources_of(map(line, journal(seed)))))
    assert min(bounds[each] for each in ("exact", "at-least", "unknown")) > 3, bounds


@pytest.mark.parametrize("seed", [0, 1])
def test_a_view_that_says_otherwise_is_noticed(seed: int) -> None:
    table, resources = TABLES["intervals"], resources_of(map(line, journal(seed)))
    (spoilt, *_) = [
        one for one in resources if one.get("valueQuantity", {}).get("value") and _is_interval(one)
    ]
    before = by_view(table, resources)
    spoilt["valueQuantity"]["value"] += 1
    assert by_view(table, resources) != before


def _is_interval(one: dict[str, Any]) -> bool:
    return bool(one["code"]["coding"][0]["code"] == "interval-output")


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_what_a_shareable_view_definition_needs(fhir: Any) -> None:
    """build.fhir.org/ig/FHIR/sql-on-fhir-v2, StructureDefinition-ShareableViewDefinition: url, name, fhirVersion and
    the type of each column; names of letters, digits and underscores (sql-name)."""
    views = view_definitions("https://ward.example/fhir", fhir)
    assert len(views) == len(TABLES)
    for view in views:
        assert view["url"].startswith("https://ward.example/fhir/ViewDefinition/")
        assert view["fhirVersion"] == [{"R4": "4.0.1", "R5": "5.0.0"}[fhir]]
        named = [view["name"], *(column["name"] for column in view["select"][0]["column"])]
        assert all(name.replace("_", "").isalnum() and name.isascii() and name[0].isalpha() for name in named)
        assert {column["type"] for column in view["select"][0]["column"]} <= {"string", "decimal", "dateTime"}
        assert "Not a medical device" in view["description"]
        assert json.loads(json.dumps(view)) == view
