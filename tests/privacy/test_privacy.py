"""The search of a whole run, in runs of its own: what is planted is found, and nothing to search is a failure too."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.house.repository import ROOT
from tests.privacy.gathering import Piece
from tests.privacy.identifiers import Identifier, Search, is_distinctive, named_in, of_the_fixtures
from tests.privacy.plugin import leaks, missing

_HEAD = """
import sys
from starlette.responses import PlainTextResponse
from drainledger.web import logs, metrics
from tests.crash.service import Service
from tests.web.conftest import http
from tests.web.ward import BED, DRAIN

def test_nothing_special(http):
    assert http.post(*BED).status_code == 200
    assert http.get("/nowhere").status_code == 404
    assert http.get("/metrics").status_code == 200
"""
_PLANTED = """
def test_log(http):
    logs.logger().warning("planted", who="Patient/P-1101")

def test_log_of_one_that_was_sent(http):
    other = DRAIN | {"id": "drn-sent", "patient": {"system": "https://ward.example/mrn", "value": "Q-90210"}}
    assert http.post(other).status_code == 200
    logs.logger().warning("planted", who="Q-90210")

def test_figures(http, monkeypatch):
    monkeypatch.setattr(metrics.Metrics, "text", lambda self: b'records{encounter="V-1102"} 1\\n')
    assert http.get("/metrics").status_code == 200

def test_error(http):
    async def leak(request):
        return PlainTextResponse("no drain of P-1103 is known", 404)
    http.app.add_route("/leak", leak)
    assert http.get("/leak").status_code == 404

def test_process(tmp_path):
    service = Service((sys.executable, "-c", "print('the note: foam over the marks')"), {}, tmp_path / "log")
    service.launch()
    service._process.wait(30)
"""


def run(folder: Path, program: str, flags: Sequence[str] = ()) -> subprocess.CompletedProcess[str]:
    """These tests, under the same conftest."""
    shutil.copy(ROOT / "tests" / "conftest.py", folder)
    (folder / "pytest.ini").write_text("[pytest]\nmarkers = deep: long\naddopts = --strict-markers\n")
    (folder / "test_it.py").write_text(program)
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *flags],
        cwd=folder,
        env=kept | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "service")])},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def test_a_run_that_says_nothing_of_patients_passes(tmp_path: Path) -> None:
    ran = run(tmp_path, _HEAD)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    told = re.search(r"no patient's identifier in what the service said: (\d+) of log", ran.stdout)
    assert told is not None, ran.stdout
    assert int(told[1]) >= 3


@pytest.mark.parametrize("workers", [[], ["-n", "2"]], ids=["alone", "two workers"])
def test_what_is_planted_is_found(tmp_path: Path, workers: list[str]) -> None:
    ran = run(tmp_path, _HEAD + _PLANTED, workers)
    assert "6 passed" in ran.stdout, ran.stdout + ran.stderr
    assert ran.returncode == 1, ran.stdout
    found = re.findall(r"^([a-z ]+): (\w+) '(.*?)' in test_it\.py::(\w+): ", ran.stdout, re.M)
    assert sorted(found) == [
        ("error", "patient", "P-1103", "test_error"),
        ("figures", "encounter", "V-1102", "test_figures"),
        ("log", "patient", "P-1101", "test_log"),
        ("log", "patient", "Q-90210", "test_log_of_one_that_was_sent"),
        ("process log", "note", "foam over the marks", "test_process"),
    ]


def test_nothing_to_search_fails_the_run(tmp_path: Path) -> None:
    """As when the service logs by another way, or its clients are others than those that are heard."""
    (tmp_path / "deaf.py").write_text(
        "from tests.privacy.gathering import Gathering\nGathering.add = lambda self, kind, text: None\n"
    )
    ran = run(tmp_path, _HEAD, ["-p", "deaf"])
    assert "1 passed" in ran.stdout, ran.stdout + ran.stderr
    assert ran.returncode == 1, ran.stdout
    assert "nothing of the kind 'log' was gathered, though 1 tests called the service" in ran.stdout
    assert "nothing of the kind 'answer'" in ran.stdout


def test_a_whole_run_has_errors_and_figures() -> None:
    few = [Piece("answer", "t", "200"), Piece("log", "t", "{}")]
    assert missing(few, 1) == []
    assert [line.split("'")[1] for line in missing(few, 100)] == ["error", "figures"]
    assert missing([], 0) == []


def test_each_identifier_of_a_patient_in_the_fixtures_is_distinctive() -> None:
    """What is not is not looked for: a fixture whose patient could be anybody's word has to be renamed."""
    kinds = {"patient", "encounter", "observer", "note", "reason", "lot"}
    of_patients = {one for one in of_the_fixtures() if one.kind in kinds}
    assert {one.kind for one in of_patients} >= {"patient", "encounter", "note", "reason"}
    assert [one for one in of_patients if not is_distinctive(one)] == []


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Patient/P-1101.", {"P-1101"}),
        ("P-11010 and XP-1101", set()),
        ('"who": "(P-1101)"', {"P-1101"}),
        ("der Z\\u00e4hler stand", {"Z\\u00e4hler stand"}),
        ("der Zähler stand", {"Zähler stand"}),
        ("mrn_P-1101_x", {"P-1101"}),
    ],
)
def test_an_identifier_is_found_between_other_signs(text: str, shown: set[str]) -> None:
    search = Search([Identifier("patient", "P-1101"), Identifier("note", "Zähler stand")])
    assert {one.text for one in search.found_in(text)} == shown


def test_an_answer_about_held_records_may_name_the_record_but_not_the_patient() -> None:
    found = leaks([Piece("held", "t", '{"id":"drn-7"} P-1042')])
    assert len(found) == 1
    assert "P-1042" in found[0]


def test_all_that_names_somebody_is_taken_from_a_record() -> None:
    raw = {
        "record": "correction",
        "corrects": "ev-9",
        "event": {
            "drain": "drn-9",
            "observer": {"kind": "practitioner", "value": "N-9"},
            "note": "hard to see",
        },
        "patient": {"system": "s", "value": "P-9"},
        "udi": {"hrf": "(01)9"},
    }
    assert {f"{one.kind} {one.text}" for one in named_in([raw])} == {
        "corrects ev-9",
        "drain drn-9",
        "observer N-9",
        "note hard to see",
        "patient P-9",
        "hrf (01)9",
    }
