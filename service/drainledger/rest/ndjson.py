"""NDJSON files by resource type, each of at most so many resources, which their owner alone can read."""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import IO

from msgspec import Struct


class File(Struct, frozen=True, array_like=True):
    """One file: `type` is that of its resources."""

    type: str
    name: str
    count: int


class _Open(Struct):
    name: str
    out: IO[bytes]
    patients: set[str]
    count: int = 0


class Files:
    """Writes into an empty folder that is there. `close` puts everything on disk."""

    def __init__(self, folder: Path, most: int) -> None:
        self._folder, self._most = folder, most
        self._open: dict[str, _Open] = {}
        self._numbers: dict[str, int] = {}
        self.done = 0
        #: Those that are whole, and of each whose data is in it.
        self.files: list[File] = []
        self.touched: list[list[str]] = []

    def put(self, type_: str, lines: Sequence[bytes], patients: Collection[str] = ()) -> None:
        """Resources of one type, each a line without its end."""
        place = 0
        while place < len(lines):
            open_ = self._open.get(type_)
            if open_ is None or open_.count == self._most:
                open_ = self._next(type_)
            some = lines[place : place + self._most - open_.count]
            open_.out.write(b"\n".join(some) + b"\n")
            open_.count += len(some)
            open_.patients.update(patients)
            place += len(some)
        self.done += len(lines)

    def close(self) -> None:
        for type_ in list(self._open):
            self._end(type_)

    def abandon(self) -> None:
        """Closes what is open, whole or not."""
        for each in self._open.values():
            each.out.close()
        self._open.clear()

    def _next(self, type_: str) -> _Open:
        self._end(type_)
        number = self._numbers[type_] = self._numbers.get(type_, 0) + 1
        name = f"{type_}.{number}.ndjson"
        handle = os.open(self._folder / name, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        open_ = self._open[type_] = _Open(name, os.fdopen(handle, "wb", buffering=1 << 18), set())
        return open_

    def _end(self, type_: str) -> None:
        open_ = self._open.pop(type_, None)
        if open_ is None:
            return
        open_.out.flush()
        os.fsync(open_.out.fileno())
        open_.out.close()
        self.files.append(File(type_, open_.name, open_.count))
        self.touched.append(sorted(open_.patients))
