"""NDJSON files by resource type, each of at most so many resources, which their owner alone can read."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Collection, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import IO, Final

from msgspec import Struct, field

#: Bytes gathered before they are handed to the disk, and how many such handfuls may wait for it.
_HANDFUL: Final = 1 << 20
_WAITING: Final = 4


class File(Struct, frozen=True, array_like=True):
    """One file: `type` is that of its resources."""

    type: str
    name: str
    count: int


class Lines(Struct):
    """Resources of one type, each with the end of its line."""

    data: bytearray = field(default_factory=bytearray)
    count: int = 0


class _Open(Struct):
    name: str
    out: IO[bytes]
    patients: set[str]
    count: int = 0
    gathered: bytearray = field(default_factory=bytearray)


class Files:
    """Writes into an empty folder that is there; a thread of its own waits for the disk. `close` puts everything on it
    and raises what went wrong there (OSError)."""

    def __init__(self, folder: Path, most: int) -> None:
        self._folder, self._most = folder, most
        self._open: dict[str, _Open] = {}
        self._numbers: dict[str, int] = {}
        self._outs: list[IO[bytes]] = []
        self._disk = ThreadPoolExecutor(1, thread_name_prefix="export files")
        self._waiting: deque[Future[None]] = deque()
        self.done = 0
        #: Those that are whole, and of each whose data is in it.
        self.files: list[File] = []
        self.touched: list[list[str]] = []

    def put(self, type_: str, lines: Lines, patients: Collection[str] = ()) -> None:
        """Adds resources of one type, which are of these patients."""
        open_ = self._open.get(type_)
        if open_ is None or open_.count == self._most:
            open_ = self._next(type_)
        room = self._most - open_.count
        if lines.count > room:
            for some in _parted(lines, room, self._most):
                self.put(type_, some, patients)
            return
        open_.gathered += lines.data
        open_.count += lines.count
        open_.patients.update(patients)
        self.done += lines.count
        if len(open_.gathered) >= _HANDFUL:
            self._hand_over(open_)

    def close(self) -> None:
        for type_ in list(self._open):
            self._end(type_)
        self._wait(0)
        self._disk.shutdown()

    def abandon(self) -> None:
        """Closes what is open, whole or not."""
        self._disk.shutdown(cancel_futures=True)
        for each in self._outs:
            each.close()
        self._open.clear()

    def _next(self, type_: str) -> _Open:
        self._end(type_)
        number = self._numbers[type_] = self._numbers.get(type_, 0) + 1
        name = f"{type_}.{number}.ndjson"
        handle = os.open(self._folder / name, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        self._outs.append(os.fdopen(handle, "wb", buffering=0))
        open_ = self._open[type_] = _Open(name, self._outs[-1], set())
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
        handful, open_.gathered = open_.gathered, bytearray()
        self._waiting.append(self._disk.submit(_write, open_.out, handful))
        self._wait(_WAITING)

    def _wait(self, most: int) -> None:
        """Until no more than so many wait for the disk."""
        while len(self._waiting) > most:
            self._waiting.popleft().result()


def _parted(lines: Lines, first: int, most: int) -> Iterator[Lines]:
    """The same, so many resources and then so many at most; in JSON a line's end stands in no text."""
    each = lines.data.split(b"\n")[:-1]
    ends = (0, *range(first, len(each), most), len(each))
    for start, end in pairwise(ends):
        yield Lines(bytearray().join(one + b"\n" for one in each[start:end]), end - start)


def _write(out: IO[bytes], handful: bytearray) -> None:
    rest = memoryview(handful)
    while rest:
        rest = rest[out.write(rest) :]


def _settle(out: IO[bytes]) -> None:
    with out:
        out.flush()
        os.fsync(out.fileno())
