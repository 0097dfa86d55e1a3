"""What the repository must hold, and must not: machines' paths, registry hosts, unexplained exceptions."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.house.repository import ROOT, tracked_files, tracked_python

# Built from parts, so that this file is not its own finding.
FORBIDDEN = {
    "a registry's host": re.compile(
        r"(?i)"
        + "|".join(
            [
                r"pypi\." + "org",
                r"files\.python" + "hosted",
                r"registry\.npm" + "js",
                r"registry\.yarn" + "pkg",
            ]
        )
    ),
    "a path of one machine": re.compile(r"(?<![\w.$}/-])/(?:root|work|home|Users|farm)/"),
    "a word of the workplace": re.compile(
        r"(?i)\b(?:" + "tran" + r"scripts?\b|seed " + r"document|co-authored" + r"-by)"
    ),
}
SUPPRESSION = re.compile(
    r"#\s*(?:type:\s*ignore|noqa|ruff:\s*noqa|mypy:|pyright:|fmt:\s*(?:off|skip)|pragma:)(?P<rest>.*)"
)
EXPLAINED = re.compile(r"(?:\[[\w, -]+\]|:\s*[A-Z]+\d+(?:,\s*[A-Z]+\d+)*)\s*(?:#|-|--)\s*\S.{8,}")
LEFT_OUT = re.compile(
    r"mark\.(?:skip|skipif|xfail)\b|\bpytest\.(?:skip|xfail|importorskip)\(|@(?:unittest\.)?skip"
)


def texts() -> list[tuple[str, str]]:
    found = []
    for path in tracked_files():
        raw = path.read_bytes()
        if b"\0" not in raw:
            found.append((path.relative_to(ROOT).as_posix(), raw.decode("utf-8", errors="replace")))
    return found


def findings(pattern: re.Pattern[str], name: str, text: str) -> list[str]:
    return [
        f"{name}:{number}: {line.strip()[:120]}"
        for number, line in enumerate(text.splitlines(), 1)
        if pattern.search(line)
    ]


@pytest.mark.parametrize("what", FORBIDDEN)
def test_no_tracked_file_holds(what: str) -> None:
    assert [hit for name, text in texts() for hit in findings(FORBIDDEN[what], name, text)] == []


@pytest.mark.parametrize(
    ("what", "line"),
    [
        ("a registry's host", "resolved https://registry.npm" + "js.org/x"),
        ("a registry's host", "--index-url https://PyPI." + "org/simple"),
        ("a path of one machine", "open('/ro" + "ot/x')"),
        ("a word of the workplace", "see the seed" + " document"),
    ],
)
def test_the_patterns_see_what_they_are_for(what: str, line: str) -> None:
    assert FORBIDDEN[what].search(line)


def unexplained(line: str) -> bool:
    match = SUPPRESSION.search(line)
    return match is not None and not EXPLAINED.match(match["rest"])


def test_every_suppressed_rule_names_its_code_and_its_reason() -> None:
    mine = Path(__file__)
    bare = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()}"
        for path in tracked_python()
        if path != mine
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if unexplained(line)
    ]
    assert bare == [], (
        "give code and reason: '# type: ignore[arg-type]  # the stub lacks it', '# noqa: N802 - FHIR's name'"
    )


@pytest.mark.parametrize(
    ("line", "is_bare"),
    [
        ("x = 1  # type: ignore", True),
        ("x = 1  # type: ignore[arg-type]", True),
        ("x = 1  # noqa", True),
        ("x = 1  # noqa: N802", True),
        ("x = 1  # noqa: N802, T201 - both names are FHIR's own", False),
        ("x = 1  # type: ignore[arg-type]  # the stub lacks Decimal", False),
        ("# noqa is a word here only in a longer sentence", True),
        ("an ordinary line", False),
    ],
)
def test_a_bare_suppression_would_be_seen(line: str, is_bare: bool) -> None:
    assert unexplained(line) == is_bare


EXCEPTING = re.compile(
    r"\[tool\.ruff\.lint\.per-file-ignores\]|\[\[tool\.mypy\.overrides\]\]"
    r"|(?:extend-)?ignore = |filterwarnings = "
)


def exceptions_in_config(text: str) -> list[str]:
    """Lines of pyproject.toml that except something from ruff, mypy or the warnings filter."""
    found, inside = [], False
    for line in text.splitlines():
        if EXCEPTING.match(line):
            inside = not line.startswith("[[") and "]" not in line.partition("=")[2]
            if not line.endswith(("[", "-ignores]")):
                found.append(line)
        elif not line or line[0] in "[]":
            inside = False
        elif inside and line.strip() != '"error",':
            found.append(line)
    return [line for line in found if line != 'filterwarnings = ["error"]']


def test_every_exception_in_the_configuration_carries_its_reason() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    found = exceptions_in_config(text)
    assert found
    assert [line for line in found if " # " not in line] == []


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('filterwarnings = [\n  "error",\n  "ignore::X",\n]\nstrict = true\n', ['  "ignore::X",']),
        ('filterwarnings = ["error"]\nstrict = true\n', []),
        ('ignore = ["E1"]\nselect = ["E"]\n', ['ignore = ["E1"]']),
        ('[tool.ruff.lint.per-file-ignores]\na = ["T20"]\n\n[x]\nb = 1\n', ['a = ["T20"]']),
        ('[[tool.mypy.overrides]] # why\nmodule = "x"\n', ["[[tool.mypy.overrides]] # why"]),
    ],
)
def test_exceptions_are_found_in_each_way_of_writing_them(text: str, found: list[str]) -> None:
    assert exceptions_in_config(text) == found


def test_no_test_is_skipped_or_expected_to_fail() -> None:
    # A missing part is a failure, not a skip. Long checks are marked deep: a run says how many it left out.
    mine = Path(__file__)
    hits = [
        hit
        for path in tracked_python()
        if path != mine
        for hit in findings(LEFT_OUT, path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8"))
    ]
    assert hits == []


def test_licence_and_notices_are_there() -> None:
    licence = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in licence
    assert "Version 2.0, January 2004" in licence
    notice = (ROOT / "NOTICE").read_text(encoding="utf-8")
    for owner in (
        "LOINC is copyright",
        "The UCUM table and UCUM codes are copyright",
        "The HL7 FHIR specification is copyright",
    ):
        assert owner in " ".join(notice.split())
    assert "not a medical device and not an alarm" in " ".join(notice.split())


def test_the_changelog_begins_with_what_is_unreleased() -> None:
    headings = re.findall(r"^## (.+)$", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert headings[0] == "Unreleased"
