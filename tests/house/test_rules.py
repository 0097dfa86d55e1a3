"""The rules of the house bite: a breach of the import rules is caught, a long check is left out aloud."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.repository import ROOT

BREACHES = {
    "domain/_breach.py": "import fastapi",
    "domain/_breach_inward.py": "import drainledger.fhir",
    "mapping/_breach.py": "import drainledger.cli",
    "fhir/_breach.py": "import drainledger.mapping",
}


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(folder / "service")},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "service", tmp_path / "service", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_the_code_keeps_the_import_rules(copy: Path) -> None:
    linted = lint_imports(copy)
    assert linted.returncode == 0, linted.stdout + linted.stderr


@pytest.mark.parametrize("path", BREACHES)
def test_a_breach_of_the_import_rules_is_caught(copy: Path, path: str) -> None:
    (copy / "service" / "drainledger" / path).write_text(BREACHES[path] + "\n")
    linted = lint_imports(copy)
    assert linted.returncode == 1
    assert f"drainledger.{path.removesuffix('.py').replace('/', '.')} -> " in linted.stdout


@pytest.mark.parametrize("workers", [[], ["-n", "2"]], ids=["alone", "two workers"])
@pytest.mark.parametrize(
    ("flags", "counted", "says_so"),
    [([], "1 passed", True), (["--deep"], "2 passed", False)],
    ids=["plain", "deep"],
)
def test_long_checks_are_left_out_aloud(
    tmp_path: Path, workers: list[str], flags: list[str], counted: str, says_so: bool
) -> None:
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers = deep: long\n")
    (tmp_path / "test_two.py").write_text(
        "import pytest\n\ndef test_short(): ...\n\n@pytest.mark.deep\ndef test_long(): ...\n"
    )
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *workers, *flags],
        cwd=tmp_path,
        env={name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
        | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "service")])},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert counted in ran.stdout
    assert ("1 deep checks were left out" in ran.stdout) == says_so
