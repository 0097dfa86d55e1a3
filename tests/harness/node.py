"""Drives the validators in tests/node: R4 resources, and UCUM codes and conversions.

    problems = validate([Path("resources.ndjson")], conformance_dir)   # [] when all is well
    ucum_valid(["mL", "cc"])                                           # {"mL": True, "cc": False}
    ucum_convert([(Decimal(1), "kPa", "cm[H2O]")])                     # [Decimal("10.197162129779283")]

A missing Node or npm package fails the test that asked: a validator that did not run proves nothing.
"""

from __future__ import annotations

import atexit
import json
import shutil
import subprocess
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.harness.problem import Problem

NODE_DIR = Path(__file__).resolve().parent.parent / "node"
_MEND = "Run `bash deploy/test.sh`, which installs Node's packages from tests/node/package-lock.json."


@dataclass(frozen=True)
class Verdict:
    """All problems, and the summary: how many resources, and what could not be checked."""

    problems: list[Problem]
    summary: dict[str, Any]


def validate(
    paths_or_lines: Iterable[Path | str | bytes],
    conformance_dir: Path,
    external: Iterable[str] = (),
    *,
    latest: bool = False,
    whole_set: bool = True,
) -> list[Problem]:
    """Problems of R4 resources: each by itself, against its profiles, and all together as one set.

    `paths_or_lines`: files (NDJSON, or one resource in a `.json`) and lines of NDJSON, as text that still has its
    numbers as they were written. `conformance_dir`: what `drainledger conformance --fhir R4` wrote. `external`:
    references that lie outside the set, as `Type/id` or `Type/*`. `latest`: of several versions of a resource, the
    last line counts for the set. `whole_set=False` leaves the checks over the set out (for part of a set).
    """
    return judge(paths_or_lines, conformance_dir, external, latest=latest, whole_set=whole_set).problems


def judge(
    paths_or_lines: Iterable[Path | str | bytes],
    conformance_dir: Path,
    external: Iterable[str] = (),
    *,
    latest: bool = False,
    whole_set: bool = True,
) -> Verdict:
    """As `validate`, with the summary."""
    lines = [line for item in paths_or_lines for line in _lines_of(item)]
    request = {"lines": lines, "external": list(external), "latest": latest, "set": whole_set}
    return _validator(conformance_dir.resolve(), _fingerprint(conformance_dir)).ask(request)


def _lines_of(item: Path | str | bytes) -> list[str]:
    if isinstance(item, Path):
        text = item.read_text("utf-8")
        return [text] if item.suffix == ".json" else text.split("\n")
    return [item.decode() if isinstance(item, bytes) else item]


def _fingerprint(folder: Path) -> tuple[tuple[str, int, int], ...]:
    """Changes when a file of the folder does: the validator reads the folder once, when it starts."""
    files = sorted(folder.rglob("*.json"))
    return tuple((str(file), file.stat().st_mtime_ns, file.stat().st_size) for file in files)


@cache
def _validator(conformance_dir: Path, fingerprint: tuple[tuple[str, int, int], ...]) -> _Validator:
    return _Validator(conformance_dir)


class _Validator:
    """A validate.mjs that is kept running, so that the definitions are loaded once a test run and not once a call."""

    def __init__(self, conformance_dir: Path) -> None:
        arguments = [*command("validate.mjs"), "--conformance", str(conformance_dir), "--serve"]
        self._process = subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        atexit.register(self._close)

    def _close(self) -> None:
        self._process.communicate()  # closes its standard input, at which it ends

    def ask(self, request: dict[str, Any]) -> Verdict:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write(json.dumps(request).encode() + b"\n")
            stdin.flush()
        except BrokenPipeError:
            pytest.fail("tests/node/validate.mjs has ended; its own message is on standard error")
        problems: list[Problem] = []
        while answer := stdout.readline():
            told = json.loads(answer)
            if "rule" not in told:
                return Verdict(problems, told)
            problems.append(_problem(told))
        pytest.fail("tests/node/validate.mjs ended in mid-answer; its own message is on standard error")


def _problem(told: dict[str, Any]) -> Problem:
    return Problem(
        line=told["line"],
        rule=told["rule"],
        message=told["message"],
        severity=told["severity"],
        id=told["id"],
        resource_type=told["resourceType"],
        path=told["path"],
    )


def list_invariants(conformance_dir: Path) -> str:
    """Human-readable list of the invariants of all definitions that do not compile or are not evaluated."""
    arguments = [*command("validate.mjs"), "--conformance", str(conformance_dir), "--list-invariants"]
    return subprocess.run(arguments, capture_output=True, check=True, text=True).stdout


def ucum_valid(codes: Iterable[str]) -> dict[str, bool]:
    """Whether each text is a UCUM code as written, by the reference library."""
    wanted = list(dict.fromkeys(codes))
    answers = _ask_ucum([{"op": "valid", "code": code} for code in wanted])
    return {code: answer["valid"] for code, answer in zip(wanted, answers, strict=True)}


def ucum_convert(conversions: Sequence[tuple[Decimal, str, str]]) -> list[Decimal | None]:
    """Each (value, from code, to code) in the other unit, by the reference library; None where it can't be.

    The library computes in binary floating point: compare with a tolerance.
    """
    questions = [{"op": "convert", "value": str(value), "from": a, "to": b} for value, a, b in conversions]
    values = [answer["value"] for answer in _ask_ucum(questions)]
    return [None if value is None else Decimal(value) for value in values]


def _ask_ucum(questions: list[dict[str, str]]) -> list[dict[str, Any]]:
    if not questions:
        return []
    lines = "".join(json.dumps(question) + "\n" for question in questions)
    done = subprocess.run(command("ucum.mjs"), input=lines, capture_output=True, text=True)
    if done.returncode:
        pytest.fail(f"tests/node/ucum.mjs failed: {done.stderr.strip()}")
    return [json.loads(answer) for answer in done.stdout.splitlines()]


def command(script: str) -> list[str]:
    """The command that runs a script of tests/node; fails the test where Node or its packages are missing."""
    node = shutil.which("node")
    if node is None:
        pytest.fail(f"Node is not on PATH, and the validators run on it. {_MEND}")
    if not (NODE_DIR / "node_modules" / "@medplum" / "core").is_dir():
        pytest.fail(f"tests/node/node_modules is missing or incomplete. {_MEND}")
    return [node, str(NODE_DIR / script)]
