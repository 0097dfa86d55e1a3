"""The locks are whole: a hash for every file, and every dependency of the project in them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.house.repository import ROOT, pyproject

RUNTIME = ROOT / "deploy" / "requirements.lock"
DEV = ROOT / "deploy" / "requirements-dev.lock"
PIN = re.compile(r"(?P<name>[a-z0-9-]+)==(?P<version>[0-9][\w.+]*)(?: ; (?P<marker>.+))?")
HASH = re.compile(r"--hash=sha256:[0-9a-f]{64}")


def entries(lock: str) -> list[list[str]]:
    """The lock's requirements, each as its pin followed by its options; comments dropped."""
    lines = [line for line in lock.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    joined = "\n".join(lines).replace("\\\n", " ")
    return [re.split(r"\s+(?=--)", line.strip()) for line in joined.splitlines()]


def pins(lock: Path) -> dict[str, str]:
    """Name to version; one with two versions is refused, since no result may depend on the Python."""
    found: dict[str, str] = {}
    for pin, *_ in entries(lock.read_text(encoding="utf-8")):
        match = PIN.fullmatch(pin)
        assert match, f"{lock.name}: '{pin}' is no plain pin"
        assert found.setdefault(match["name"], match["version"]) == match["version"], pin
    return found


def names(requirements: list[str]) -> set[str]:
    bare = (re.match(r"[A-Za-z0-9._-]+", line) for line in requirements)
    return {re.sub(r"[._-]+", "-", match[0]).lower() for match in bare if match}


@pytest.mark.parametrize("lock", [RUNTIME, DEV], ids=lambda lock: lock.name)
def test_every_entry_is_a_pin_with_hashes(lock: Path) -> None:
    found = entries(lock.read_text(encoding="utf-8"))
    assert found
    for pin, *options in found:
        assert PIN.fullmatch(pin), pin
        assert options, f"{pin} has no hash"
        assert all(HASH.fullmatch(option) for option in options), pin


def test_an_entry_without_a_hash_would_be_seen() -> None:
    assert entries("# note\nfirst==1 \\\n    --hash=sha256:00\nsecond==2\n") == [
        ["first==1", "--hash=sha256:00"],
        ["second==2"],
    ]


def test_the_project_needs_nothing_outside_the_locks() -> None:
    project = pyproject()["project"]
    extras = project["optional-dependencies"]
    assert names(project["dependencies"] + extras["build"]) <= pins(RUNTIME).keys()
    assert names(extras["dev"]) <= pins(DEV).keys()
    assert names(pyproject()["build-system"]["requires"]) <= names(extras["build"])


def test_what_is_tested_is_what_is_run() -> None:
    dev = pins(DEV)
    assert {name: dev.get(name) for name in pins(RUNTIME)} == pins(RUNTIME)
