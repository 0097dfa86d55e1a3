"""NDJSON files by resource type, each of at most so many resources, which their owner alone can read."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Collection, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import IO, Final

from msgspec import Struct

#: Bytes gathered before they are handed to the disk, and how many such handfuls may wait for it.
_HANDFUL: Final = 1 << 20
_WAITING: Final = 4


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
    gathered: list[bytes] = []
    size: int = 0


class Files:
    """Writes into an empty folder that is there; a thread of its own waits for the disk. `close` puts everything on it
    and raises what went wrong there (OSError)."""

    def __init__(self, folder: Path, most: int) -> None:
        self._folder, self._most = folder, most
        self._open: dict[str, _Open] = {}
        self._numbers: dict[str, int] = {}
        self._disk = ThreadPoolExecutor(1, thread_name_prefix="export files")
        self._waiting: deque[Future[None]] = deque()
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
            open_.gathered += some
            open_.size += sum(map(len, some))
            open_.count += len(some)
            open_.patients.update(patients)
            place += len(some)
            if open_.size >= _HANDFUL:
                self._hand_over(open_)
        self.done += len(lines)

    def close(self) -> None:
        for type_ in list(self._open):
            self._end(type_)
        self._wait(0)
        self._disk.shutdown()

    def abandon(self) -> None:
        """Closes what is open, whole or not."""
        self._disk.shutdown(cancel_futures=True)
        for each in self._open.values():
            each.out.close()
        self._open.clear()

    def _next(self, type_: str) -> _Open:
        self._end(type_)
        number = self._numbers[type_] = self._numbers.get(type_, 0) + 1
        name = f"{type_}.{number}.ndjson"
        handle = os.open(self._folder / name, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        open_ = self._open[type_] = _Open(name, os.fdopen(handle, "wb", buffering=0), set())
        return open_

    def _end(self, type_: str) -> None:
        open_ = self._open.pop(type_, None)
        if open_ is None:
            return
        self._hand_over(open_)
        self._waiting.append(self._disk.submit(_settle, open_.out))
        self.files.append(File(type_, open_.name, open_.count))
        self.touched.append(sorted(open_.patients))

    def _hand_over(self, open_: _Open) -> None:
        open_.gathered.append(b"")  # the last line has its end, too
        handful = b"\n".join(open_.gathered)
        open_.gathered, open_.size = [], 0
        self._waiting.append(self._disk.submit(_write, open_.out, handful))
        self._wait(_WAITING)

    def _wait(self, most: int) -> None:
        """Until no more than so many wait for the disk."""
        while len(self._waiting) > most:
            self._waiting.popleft().result()


def _write(out: IO[bytes], handful: bytes) -> None:
    rest = memoryview(handful)
    while rest:
        rest = rest[out.write(rest) :]


def _settle(out: IO[bytes]) -> None:
    with out:
        out.flush()
        os.fsync(out.fileno())
