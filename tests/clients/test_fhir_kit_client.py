"""`fhir-kit-client` (npm), as an app in another language uses it; tests/node/kit.mjs drives it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.clients import scene
from tests.clients.conftest import Ward, assert_valid
from tests.clients.recorder import Recorder
from tests.clients.transactions import first_free_instant, look
from tests.harness.node import command

Ask = Callable[..., Any]


@pytest.fixture
def ask(ward: Ward, recorded: Recorder) -> Ask:
    def asked(what: str, **wanted: Any) -> Any:
        question = {"base": f"{recorded.base}/fhir/R4", "key": ward.key, "ask": what, **wanted}
        done = subprocess.run(
            command("kit.mjs"), input=json.dumps(question), capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout, parse_float=Decimal)

    return asked


def test_it_knows_what_can_be_asked(ask: Ask, recorded: Recorder, conformance: Path) -> None:
    assert ask("statement")["fhirVersion"] == "4.0.1"
    assert_valid(recorded, conformance)


def test_a_day_adds_up(ask: Ask, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    start, end = (instant.isoformat() for instant in scene.DAY)
    values = ask("day", patient=f"{scene.SYSTEM}|{scene.PATIENT}", start=start, end=end)
    assert sum(Decimal(value) for value in values if value is not None) == ward.day_output() > 0
    assert_valid(recorded, conformance)


def test_ten_thousand_a_page_at_a_time(
    ask: Ask, many_observations: set[str], recorded: Recorder, conformance: Path
) -> None:
    ids = ask("page", patient=f"{scene.SYSTEM}|{scene.MANY}")
    assert len(ids) == len(set(ids)) > 10_000
    assert set(ids) == many_observations
    assert_valid(recorded, conformance)


def test_a_version(ask: Ask, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    before, now = ask("version", identifier=f"ward.{scene.CORRECTED}.interval-output")
    wanted = ward.interval_ml("drn-left", scene.CORRECTED)
    assert now["valueQuantity"]["value"] == wanted
    assert before["valueQuantity"]["value"] == wanted + 2
    assert before["meta"]["versionId"] == "1"
    assert_valid(recorded, conformance)


def test_a_transaction(ask: Ask, ward: Ward, recorded: Recorder, conformance: Path) -> None:
    found = ask("find", patient=f"{scene.SYSTEM}|{scene.PATIENT}", drain="drain.drn-left")
    bundle = look(found["drain"], found["patient"], first_free_instant(30), "kit", 1220)
    told = ask("transaction", bundle=bundle)
    assert [entry["response"]["status"].split()[0] for entry in told["entry"]] == ["201"] * 3
    assert_valid(recorded, conformance)
