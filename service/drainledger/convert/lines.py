"""Bytes into numbered lines: a file or standard input, gzip or not, never more of a line in memory than its limit."""

from __future__ import annotations

import gzip
import io
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO, TypeVar

_GZIP = b"\x1f\x8b"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_CHUNK = 1 << 16

T = TypeVar("T")


class UnreadableInput(Exception):
    """The input as a whole can't be read: no such file, no permission, damaged gzip."""

    def __init__(self, name: str, reason: str) -> None:
        super().__init__(name, reason)
        self.name = name
        self.reason = reason

    def __str__(self) -> str:
        return f"can't read {self.name}: {self.reason}"


class Source:
    """An open input, to be used as a context manager. `path` None is standard input.

    `size` is the number of bytes to read, None where it can't be known; `position()` how many have been read.
    """

    def __init__(self, path: Path | None, limit: int) -> None:
        self.name = "standard input" if path is None else str(path)
        self.size: int | None = None
        self.position: Callable[[], int] = lambda: 0
        self._path = path
        self._limit = limit
        self._open = ExitStack()

    def __enter__(self) -> Source:
        self._stream = self._reading(self._connect)
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def __iter__(self) -> Iterator[tuple[int, bytes]]:
        """(line number from 1, line without its end); blank lines are passed over. A line longer than the limit is
        cut one byte above it, so that whoever decodes it sees that it is too long."""
        number = 0
        while line := self._reading(self._next_line):
            number += 1
            if number == 1:
                line = line.removeprefix(_BYTE_ORDER_MARK)
            line = line.rstrip(b"\r\n")
            if line and not line.isspace():
                yield number, line

    def _connect(self) -> BinaryIO | gzip.GzipFile:
        raw = self._raw()
        if raw.peek(2)[:2] != _GZIP:
            return raw
        return self._open.enter_context(gzip.GzipFile(fileobj=raw))

    def _raw(self) -> io.BufferedReader:
        if self._path is None:
            assert isinstance(sys.stdin.buffer, io.BufferedReader)
            return sys.stdin.buffer
        opened = self._open.enter_context(self._path.open("rb"))
        if self._path.is_file():
            self.size = self._path.stat().st_size
            self.position = opened.raw.tell
        return opened

    def _next_line(self) -> bytes:
        line = self._stream.readline(self._limit + 1)
        rest = line
        while len(line) > self._limit and rest and not rest.endswith(b"\n"):
            rest = self._stream.readline(_CHUNK)
        return line

    def _reading(self, step: Callable[[], T]) -> T:
        try:
            return step()
        except (OSError, EOFError, zlib.error) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
            raise UnreadableInput(self.name, reason) from error
