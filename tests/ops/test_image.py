"""What the image would hold, put together here from the Containerfile's own lines; no container is needed for that.

The files that it copies are enough to build the package, the package alone is enough to run, it writes into its folder
of data and nowhere else, and the health check tells a service that is ready from one that is not there.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.crash.service import Service, settings
from tests.house.repository import ROOT
from tests.ops.tools import DEPLOY

CONTAINERFILE = (DEPLOY / "Containerfile").read_text(encoding="utf-8").replace("\\\n", " ")
PIP = (sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check")
SERVE = ("serve", "--host", "127.0.0.1")


def copied() -> list[str]:
    """The sources of the first stage's COPY lines, as the build would find them."""
    lines = re.findall(r"^COPY (?!--from)(.+)$", CONTAINERFILE, re.M)
    return [source for line in lines for source in line.split()[:-1]]


def test_nothing_that_is_copied_is_kept_from_the_build() -> None:
    allowed = {
        line[1:]
        for line in (DEPLOY / "Containerfile.dockerignore").read_text(encoding="utf-8").splitlines()
        if line.startswith("!")
    }
    assert set(copied()) == allowed


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package as the image has it, built from the copied files alone."""
    folder = tmp_path_factory.mktemp("image")
    for source in copied():
        target = folder / "build" / source
        target.parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / source).is_dir():
            shutil.copytree(ROOT / source, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(ROOT / source, target)
    subprocess.run(
        [*PIP, "--no-build-isolation", "--no-deps", "--no-index", "--target", folder / "package", "."],
        cwd=folder / "build",
        check=True,
    )
    return folder / "package"


class Installed(Service):
    """The packaged program, in a folder of data."""

    def __init__(self, package: Path, data: Path) -> None:
        data.mkdir()
        self.data = data
        self.environment = settings("sqlite:///drainledger.db") | {
            "PYTHONPATH": str(package),
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        command = (sys.executable, "-m", "drainledger", *SERVE)
        super().__init__(command, self.environment, data.parent / "log", folder=data)

    def run(self, *arguments: str) -> None:
        subprocess.run(
            [sys.executable, "-m", "drainledger", *arguments],
            cwd=self.data,
            env=os.environ | self.environment,
            check=True,
        )


@pytest.fixture
def installed(package: Path, tmp_path: Path) -> Iterator[Installed]:
    service = Installed(package, tmp_path / "data")
    try:
        yield service
    finally:
        service.end()


def health_check(port: int) -> int:
    """The exit code of the Containerfile's own command."""
    command = re.search(r"^HEALTHCHECK .*?CMD (\[.*\])$", CONTAINERFILE, re.M)
    assert command is not None
    words = [word.replace("8080", str(port)) for word in json.loads(command[1])]
    assert words[0] == "python"
    ended = subprocess.run([sys.executable, *words[1:]], capture_output=True, timeout=30, check=False)
    return ended.returncode


def test_it_runs_from_its_package_and_writes_only_where_data_are(package: Path, installed: Installed) -> None:
    before = sorted(package.rglob("*"))
    assert health_check(installed.port) != 0
    installed.run("db", "upgrade")
    installed.start()
    assert health_check(installed.port) == 0
    assert installed.stop() == 0
    assert sorted(package.rglob("*")) == before
    assert {path.name.partition("-")[0] for path in installed.data.iterdir()} == {"drainledger.db"}
