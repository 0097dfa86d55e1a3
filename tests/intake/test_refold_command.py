"""`drainledger db refold --mapping` as a process: what it prints, what it refuses, and what kill -9 leaves of it."""

from __future__ import annotations

import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drainledger.convert.settings import BASE
from drainledger.fhir import Renderer
from drainledger.intake.intake import Intake
from drainledger.mapping import Mappings, load_mappings
from drainledger.store.checking import check
from drainledger.store.migrations import upgrade
from drainledger.store.store import Store
from tests.crash.service import clean_environment, drainledger, new_database, settings
from tests.intake.service import TENANT, Clock, latest, send
from tests.intake.test_refold import ENGINES, assert_as_converted, new_mappings
from tests.journals.books import line, mappings
from tests.journals.raw import Raw, collector, connected, drain, level

DRAINS = 40


@pytest.fixture(scope="module")
def changed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Mappings]:
    folder = new_mappings(tmp_path_factory.mktemp("site"))
    return folder, load_mappings(folder)


def bed(number: int) -> list[Raw]:
    """A drain whose second reading is 1 mL lower: noise under the shipped mappings, a fall under the new ones."""
    name, unit = f"d{number:03}", f"c{number:03}"
    patient = {"system": "https://ward.example/mrn", "value": f"P-{number}"}
    return [
        drain(name, patient=patient),
        collector(unit),
        connected("06:00", unit=unit, drain=name, id=f"connected-{name}"),
        *(level(at, ml, drain=name, id=f"{name}-{at}") for at, ml in (("07:00", 100), ("08:00", 99))),
    ]


JOURNAL = [line(raw) for number in range(DRAINS) for raw in bed(number)]


@pytest.fixture(params=ENGINES)
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    found = new_database(str(request.param), tmp_path)
    upgrade(found)
    secret = settings(found)["DRAINLEDGER_PATIENT_SECRET"].encode()
    shipped = mappings()

    def renderer(tenant: str) -> Renderer:
        return Renderer(shipped.codes, base=BASE, tenant=tenant, patient_secret=secret)

    # Not in the future, which the commits of a process that reads the clock would then have to be as well.
    clock = Clock(datetime(2026, 3, 3, tzinfo=UTC))
    with closing(Store.open(found)) as store:
        intake = Intake(store, shipped.rules, shipped.units, renderer=renderer, clock=clock)
        with closing(intake):
            assert send(intake, *JOURNAL).accepted == len(JOURNAL)
    return found


def refold(url: str, folder: Path, *more: str) -> str:
    return drainledger(
        "db", "refold", "--mapping", "--mappings", str(folder), *more, environment=settings(url)
    )


def seqs(url: str) -> int:
    with closing(Store.open(url)) as store, store.read(TENANT) as read:
        return read.last_seq()


def test_a_trial_and_the_act(url: str, changed: tuple[Path, Mappings]) -> None:
    folder, _ = changed
    before = seqs(url)
    trial = refold(url, folder, "--dry-run")
    assert seqs(url) == before
    assert f"{TENANT}\td000\tinterval-output\t1\n" in trial
    assert refold(url, folder, "--tenant", TENANT) == trial
    assert seqs(url) == before + DRAINS
    assert refold(url, folder) == ""
    with closing(Store.open(url)) as store:
        assert check(store) == []
        assert_as_converted(store, JOURNAL, folder, secret=b"of-these-tests-alone")


@pytest.mark.parametrize("lines", [1, 37, 100])
def test_killed_in_the_middle_and_run_again(url: str, changed: tuple[Path, Mappings], lines: int) -> None:
    folder, _ = changed
    before = seqs(url)
    command = [
        sys.executable,
        "-u",
        "-m",
        "drainledger",
        "db",
        "refold",
        "--mapping",
        "--mappings",
        str(folder),
    ]
    environment = clean_environment() | settings(url)
    with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE) as running:
        assert running.stdout is not None
        for _ in range(lines):
            assert running.stdout.readline()
        running.kill()
    assert before < seqs(url) < before + DRAINS, "it was killed after some and before all"
    with closing(Store.open(url)) as store:
        assert check(store) == []
        half = latest(store)
    refold(url, folder)
    assert seqs(url) == before + DRAINS, "each is judged anew once"
    with closing(Store.open(url)) as store:
        assert check(store) == []
        assert latest(store) != half
        assert_as_converted(store, JOURNAL, folder, secret=b"of-these-tests-alone")


def refused(url: str, folder: Path, *more: str, **environment: str) -> str:
    with pytest.raises(AssertionError) as told:
        drainledger("db", "refold", "--mappings", str(folder), *more, environment=settings(url) | environment)
    assert ": 2\n" in str(told.value), "exit code 2"
    return str(told.value)


def test_what_it_refuses(url: str, changed: tuple[Path, Mappings]) -> None:
    folder, _ = changed
    before = seqs(url)
    assert "say --mapping" in refused(url, folder)
    assert "no tenant nobody" in refused(url, folder, "--mapping", "--tenant", "nobody")
    other = {"DRAINLEDGER_PATIENT_SECRET": "another-secret-than-theirs"}
    assert "have other ids" in refused(url, folder, "--mapping", **other)
    assert seqs(url) == before
