"""The README is run: each command prints what the README says. And it names all that there is to name."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import get_args

import pytest

from drainledger.convert.ledger_csv import COLUMNS
from drainledger.convert.report import Status
from drainledger.convert.settings import Emit
from drainledger.domain.records import EventKind, RecordKind
from tests.convert import cli
from tests.convert.console import Step, steps

README = (cli.ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture
def shell(tmp_path: Path) -> dict[str, str]:
    """An environment in which `drainledger` and `python3` are those of the tests."""
    binaries = tmp_path / "bin"
    binaries.mkdir()
    for name, runs in (
        ("drainledger", f'"{sys.executable}" -m drainledger'),
        ("python3", f'"{sys.executable}"'),
    ):
        script = binaries / name
        script.write_text(f'#!/bin/sh\nexec {runs} "$@"\n', encoding="utf-8")
        script.chmod(0o755)
    return cli.environment(PATH=f"{binaries}:{os.environ['PATH']}")


def test_every_console_block_prints_what_it_says(tmp_path: Path, shell: dict[str, str]) -> None:
    folder = tmp_path / "somewhere"
    folder.mkdir()
    examples = steps(README)
    assert len(examples) >= 8
    assert sum(bool(one.printed) for one in examples) >= 6
    for one in examples:
        done = subprocess.run(
            ["bash", "-c", one.command],
            cwd=folder,
            env=shell,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.stdout == one.printed, one.command


def test_a_block_is_taken_apart_as_a_reader_would() -> None:
    block = "```console\n$ cat > x <<'END'\n$ not a command\nEND\n$ cat x\n$ not a command\n```\n"
    assert steps(block) == [
        Step("cat > x <<'END'\n$ not a command\nEND\n", ""),
        Step("cat x\n", ""),
        Step("not a command\n", ""),
    ]
    assert steps("```console\n$ echo a\na\nb\n```\n") == [Step("echo a\n", "a\nb\n")]


@pytest.mark.parametrize(
    "word", [*get_args(RecordKind), *get_args(EventKind), *get_args(Emit), *get_args(Status), *COLUMNS]
)
def test_every_word_of_the_contract_is_in_the_readme(word: str) -> None:
    assert f"`{word}`" in README


def test_the_job_comes_first_then_the_caution() -> None:
    title, job, caution = README.split("\n\n")[:3]
    assert title == "# Drainledger"
    assert job.startswith("A patient with a chest drain")
    assert "not a medical device, not an alarm and not a basis for treatment" in caution
    assert "Check the patient; local policy and" in caution


def test_both_commands_are_there_and_exist() -> None:
    for command in ("bash deploy/run.sh", "bash deploy/test.sh"):
        assert f"\n    {command} " in README
        assert (cli.ROOT / command.split()[1]).is_file()


def test_what_the_readme_names_is_in_the_repository() -> None:
    named = set(
        re.findall(r"`((?:mappings|deploy|tests|service|fixtures)/[\w./-]*|[A-Z]+(?:\.md)?)`", README)
    )
    paths = {name for name in named if "/" in name or name.endswith(".md") or name in ("LICENSE", "NOTICE")}
    assert len(paths) >= 6
    assert [name for name in sorted(paths) if not (cli.ROOT / name).exists()] == []
    assert "shared/" not in README


def test_every_place_that_the_guide_names_exists() -> None:
    guide = (cli.ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    package = cli.ROOT / "service" / "drainledger"
    roots = (cli.ROOT, package, package / "domain", package / "fhir")
    named = sorted(set(re.findall(r"`([\w./-]+\.(?:py|toml|md|sh)|[\w/-]+/)`", guide)))
    assert len(named) > 40
    assert [name for name in named if not any((root / name).exists() for root in roots)] == []
