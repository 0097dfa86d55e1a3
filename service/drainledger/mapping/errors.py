"""What is wrong with a mapping file, and where."""

from __future__ import annotations

from drainledger.mapping.lines import Path, dotted


class MappingError(ValueError):
    """A mapping file that is refused.

    `file` is its path as opened, `key` the dotted key in it ("chambers[0].capacity"; "" for the whole file), `line`
    counts from 1 (0: the file can't be read), `text` says what is wrong and what to do.
    """

    def __init__(self, file: str, key: str, line: int, text: str) -> None:
        super().__init__(file, key, line, text)
        self.file = file
        self.key = key
        self.line = line
        self.text = text

    def __str__(self) -> str:
        where = f"{self.file}, line {self.line}" if self.line else self.file
        return f"{where}, {self.key}: {self.text}" if self.key else f"{where}: {self.text}"


class Fault(ValueError):
    """A fault found in one file's content, before it is known where that stands: `path` leads to the key."""

    def __init__(self, path: Path, text: str) -> None:
        super().__init__(path, text)
        self.path = path
        self.text = text

    def at(self, file: str, line: int) -> MappingError:
        return MappingError(file, dotted(self.path), line, self.text)
