"""The line of each key, against documents whose answer can be seen."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drainledger.mapping import shipped_folder
from drainledger.mapping.lines import Path as KeyPath
from drainledger.mapping.lines import dotted, key_lines, line_of

DOCUMENT = '''\
# [not.a.table]
first = 1
"quoted = key" = "a # b = [c]"
dotted.name . deep = """
inside = 1
[inside]
""" # behind a string of several lines
list = [
  1, # one
  { a = 1, b = "]" },
  [2,
   3],
]

[table]
literal = 'C:\\path'
many = \'\'\'
x = 1
\'\'\'
inline = { a.b = 1, c = [ { d = "}" } ] }

[[rows]]
name = "first"

[[rows]]
name = "second"
[rows.inner]
key = 2026-03-02T06:00:00Z
[[rows.deep]]
last = 1
[[rows.deep]]
last = 2
'''

EXPECTED: dict[KeyPath, int] = {
    ("first",): 2,
    ("quoted = key",): 3,
    ("dotted", "name", "deep"): 4,
    ("list",): 8,
    ("list", 0): 9,
    ("list", 1, "b"): 10,
    ("list", 2): 11,
    ("list", 2, 1): 12,
    ("table",): 15,
    ("table", "literal"): 16,
    ("table", "many"): 17,
    ("table", "inline", "a", "b"): 20,
    ("table", "inline", "c", 0, "d"): 20,
    ("rows", 0, "name"): 23,
    ("rows", 1): 25,
    ("rows", 1, "name"): 26,
    ("rows", 1, "inner", "key"): 28,
    ("rows", 1, "deep", 0, "last"): 30,
    ("rows", 1, "deep", 1): 31,
    ("rows", 1, "deep", 1, "last"): 32,
}


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_every_key_has_its_line(newline: str) -> None:
    text = DOCUMENT.replace("\n", newline)
    tomllib.loads(text)
    found = key_lines(text)
    assert {path: found.get(path) for path in EXPECTED} == EXPECTED


def _paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    """Every path that the document holds, as `tomllib` reads it: what the scanner must find and no more."""
    children = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    found = {path} if path else set()
    return found.union(*(_paths(child, (*path, key)) for key, child in children))


@pytest.mark.parametrize("file", sorted(shipped_folder().rglob("*.toml")), ids=lambda file: file.name)
def test_the_shipped_files_are_scanned_whole(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    found = key_lines(text)
    assert set(found) == _paths(tomllib.loads(text))
    for path, line in found.items():
        if isinstance(path[-1], str):
            assert path[-1] in text.splitlines()[line - 1]


simple = st.integers() | st.booleans() | st.text(max_size=8)
values = st.recursive(
    simple,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


def _written(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _basic_string(value)
    if isinstance(value, list):
        return "[\n" + "".join(f"{_written(item)}, # ]\n" for item in value) + "]"
    if isinstance(value, dict):
        return (
            "{" + ", ".join(f"{_basic_string(key)} = {_written(item)}" for key, item in value.items()) + "}"
        )
    return str(value)


def _basic_string(text: str) -> str:
    return (
        '"'
        + "".join(
            f"\\U{ord(letter):08X}" if letter in '"\\' or not letter.isprintable() else letter
            for letter in text
        )
        + '"'
    )


@given(st.dictionaries(st.text(max_size=5), values, max_size=4))
def test_the_scanner_finds_what_tomllib_reads(document: dict[str, Any]) -> None:
    text = "".join(f"{_basic_string(key)} = {_written(value)}\n" for key, value in document.items())
    assert tomllib.loads(text) == document
    assert set(key_lines(text)) == _paths(document)


def test_a_missing_key_stands_where_its_table_does() -> None:
    lines = key_lines("[a]\n\n[a.b]\nc = 1\n")
    assert line_of(lines, ("a", "b", "missing")) == 3
    assert line_of(lines, ("a", "missing")) == 1
    assert line_of({}, ("missing",)) == 1


def test_a_path_is_told_as_one_would_write_it() -> None:
    assert dotted(("chambers", 0, "graduations", 1, "step")) == "chambers[0].graduations[1].step"
