"""Where each key of a TOML document stands: `tomllib` gives the values but not their lines.

The text has already been read by `tomllib`, so it is valid TOML 1.0, and the scanner need only find its way past
strings, comments and brackets.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Final

#: Leads to a value: keys by name, places in an array by number.
Path = tuple[str | int, ...]

_BLANK: Final = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN_VALUE: Final = re.compile(r"[^,\]}#\n]+")
_STRING: Final = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'",
    re.DOTALL,
)


def key_lines(text: str) -> dict[Path, int]:
    """The line, from 1, of every key, table header and array element of a valid TOML document."""
    return _Scanner(text).document()


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """The line of `path`, or of the nearest table around it where the key itself is missing; 1 at the least."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return 1


def dotted(path: Path) -> str:
    """("chambers", 0, "capacity") as "chambers[0].capacity"."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.lines: dict[Path, int] = {}
        self.arrays: dict[Path, int] = {}

    def document(self) -> dict[Path, int]:
        table: Path = ()
        while self.skip_blank():
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
        return self.lines

    def header(self) -> Path:
        line, doubled = self.line(), self.text.startswith("[[", self.at)
        self.at += 2 if doubled else 1
        names = self.dotted_key()
        self.at = self.text.index("]", self.at) + (2 if doubled else 1)
        table: Path = ()
        for name in names[:-1]:
            table = self.inside((*table, name), line)
        table = (*table, names[-1])
        if doubled:
            self.arrays[table] = self.arrays.get(table, -1) + 1
        return self.inside(table, line)

    def inside(self, table: Path, line: int) -> Path:
        """Where the keys of `table` stand: in the current element, if it is an array of tables."""
        self.lines.setdefault(table, line)
        if table not in self.arrays:
            return table
        element = (*table, self.arrays[table])
        self.lines.setdefault(element, line)
        return element

    def pair(self, table: Path) -> None:
        line = self.line()
        path: Path = table
        for name in self.dotted_key():
            path = (*path, name)
            self.lines.setdefault(path, line)
        self.at = self.text.index("=", self.at) + 1
        self.value(path)

    def dotted_key(self) -> tuple[str, ...]:
        names = []
        while True:
            self.skip_space()
            names.append(self.key())
            self.skip_space()
            if self.text[self.at] != ".":
                return tuple(names)
            self.at += 1

    def key(self) -> str:
        quoted = _STRING.match(self.text, self.at)
        found = quoted or _BARE_KEY.match(self.text, self.at)
        assert found is not None, "tomllib has read this text"
        self.at = found.end()
        return str(tomllib.loads(f"key = {found[0]}")["key"]) if quoted else found[0]

    def value(self, path: Path) -> None:
        self.skip_space()
        opening = self.text[self.at]
        if opening == "[":
            self.array(path)
        elif opening == "{":
            self.inline_table(path)
        else:
            found = _STRING.match(self.text, self.at) or _PLAIN_VALUE.match(self.text, self.at)
            assert found is not None, "tomllib has read this text"
            self.at = found.end()

    def array(self, path: Path) -> None:
        self.at += 1
        place = 0
        while self.skip_blank() and self.text[self.at] != "]":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.lines.setdefault((*path, place), self.line())
            self.value((*path, place))
            place += 1
        self.at += 1

    def inline_table(self, path: Path) -> None:
        self.at += 1
        while self.skip_blank() and self.text[self.at] != "}":
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.pair(path)
        self.at += 1

    def skip_blank(self) -> bool:
        """Past white space and comments; whether any text is left."""
        found = _BLANK.match(self.text, self.at)
        self.at = found.end() if found else self.at
        return self.at < len(self.text)

    def skip_space(self) -> None:
        while self.text[self.at : self.at + 1] in (" ", "\t"):
            self.at += 1

    def line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1
