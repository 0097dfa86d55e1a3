"""The file of a backup: the rows of every table, the same from either engine.

    drainledger-backup 1\\n
    gzip of frames, each its length in 4 bytes, big-endian, and msgpack:
        [schema, {table: [columns]}]      the first
        [table, [[value...]...]]          rows in the order of their key, table by table
        {table: [rows, SHA-256]}          the last: a file that is cut off has none

Values are as the columns hold them: text, integers, bytes or nothing. A table's digest is over the msgpack of its rows.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Final, TypeAlias

import msgspec
from msgspec import Struct

from drainledger.store.errors import BadArchive, FileIsThere

_MAGIC: Final = b"drainledger-backup 1\n"
_LENGTH_BYTES: Final = 4
#: Rows are written together up to this many bytes, and read as many: memory holds one such frame.
_FRAME_BYTES: Final = 4 << 20
_FRAME_ROWS: Final = 1000
#: No frame is longer, unless the file was tampered with: one row alone can pass _FRAME_BYTES.
_LONGEST_FRAME: Final = 512 << 20
_COMPRESSION: Final = 3

Row: TypeAlias = Sequence[Any]
BinaryFile: TypeAlias = IO[bytes] | gzip.GzipFile
Columns: TypeAlias = dict[str, list[str]]

_encode = msgspec.msgpack.Encoder().encode


class Tally(Struct, frozen=True, array_like=True):
    """How many rows a table has, and the digest of them all."""

    rows: int
    digest: bytes


class _Head(Struct, array_like=True):
    schema: str
    columns: Columns


class Counter:
    """Tallies a table's rows as they go by."""

    def __init__(self) -> None:
        self._rows = 0
        self._digest = hashlib.sha256()

    def add(self, encoded: bytes) -> None:
        self._rows += 1
        self._digest.update(encoded)

    def count(self, rows: Iterable[Row]) -> Tally:
        for row in rows:
            self.add(_encode(row))
        return self.tally()

    def tally(self) -> Tally:
        return Tally(self._rows, self._digest.digest())


def write_archive(
    path: Path, schema: str, columns: Columns, rows_of: Mapping[str, Iterable[Row]]
) -> dict[str, Tally]:
    """Writes a new file that its owner alone can read, and that bears its name only when it is whole and on disk."""
    if path.exists():
        raise FileIsThere(path.name)
    partial = path.with_name(f".{path.name}.partial")
    try:
        with _private(partial) as file:
            file.write(_MAGIC)
            with gzip.GzipFile(
                fileobj=file, mode="wb", compresslevel=_COMPRESSION, mtime=0, filename=""
            ) as packed:
                tallies = _write_frames(packed, _Head(schema, columns), rows_of)
            file.flush()
            os.fsync(file.fileno())
        partial.rename(path)
        _sync_folder(path.parent)
    finally:
        partial.unlink(missing_ok=True)
    return tallies


def _write_frames(out: BinaryFile, head: _Head, rows_of: Mapping[str, Iterable[Row]]) -> dict[str, Tally]:
    _frame(out, _encode(head))
    tallies: dict[str, Tally] = {}
    for table, rows in rows_of.items():
        counter = Counter()
        for some in _framed(rows, counter):
            _frame(out, _encode((table, [msgspec.Raw(row) for row in some])))
        tallies[table] = counter.tally()
    _frame(out, _encode(tallies))
    return tallies


def _framed(rows: Iterable[Row], counter: Counter) -> Iterator[list[bytes]]:
    some: list[bytes] = []
    size = 0
    for row in rows:
        encoded = _encode(row)
        counter.add(encoded)
        some.append(encoded)
        size += len(encoded)
        if size >= _FRAME_BYTES or len(some) == _FRAME_ROWS:
            yield some
            some, size = [], 0
    if some:
        yield some


def _frame(out: BinaryFile, data: bytes) -> None:
    out.write(len(data).to_bytes(_LENGTH_BYTES, "big"))
    out.write(data)


class Archive:
    """An open backup. Everything it says is checked as it is read: what can't be right raises BadArchive."""

    def __init__(self, file: BinaryFile) -> None:
        self._file = file
        self._decoder = msgspec.msgpack.Decoder()
        head = self._converted(self._next(), _Head)
        self.schema = head.schema
        self.columns = head.columns
        self._counters = {table: Counter() for table in self.columns}
        self.tallies: dict[str, Tally] | None = None

    def rows(self) -> Iterator[tuple[str, list[list[Any]]]]:
        """All rows, some of one table at a time. Where it ends without BadArchive, all that was written was read."""
        while not isinstance(frame := self._next(), dict):
            table, rows = self._rows(frame)
            for row in rows:
                self._counters[table].add(_encode(row))
            yield table, rows
        self.tallies = self._converted(frame, dict[str, Tally])
        found = {table: counter.tally() for table, counter in self._counters.items()}
        if found != self.tallies:
            raise BadArchive("its rows are not those that were written")
        if self._file.read(1):
            raise BadArchive("it goes on after its end")

    def _rows(self, frame: Any) -> tuple[str, list[list[Any]]]:
        table, rows = self._converted(frame, tuple[str, list[list[Any]]])
        width = len(self.columns.get(table, ()))
        if not width or any(len(row) != width for row in rows):
            raise BadArchive("a row fits no table")
        return table, rows

    def _next(self) -> Any:
        length = int.from_bytes(self._exactly(_LENGTH_BYTES), "big")
        if length > _LONGEST_FRAME:
            raise BadArchive("a part of it says it is longer than any can be")
        try:
            return self._decoder.decode(self._exactly(length))
        except (msgspec.DecodeError, ValueError):  # the latter for text that is not UTF-8
            raise BadArchive("a part of it can't be read") from None

    def _exactly(self, count: int) -> bytes:
        data = self._file.read(count)
        if len(data) < count:
            raise BadArchive("it is cut off")
        return data

    @staticmethod
    def _converted(value: Any, type_: Any) -> Any:
        try:
            return msgspec.convert(value, type_)
        except msgspec.ValidationError:
            raise BadArchive("a part of it is not what it should be") from None


@contextmanager
def open_archive(path: Path) -> Iterator[Archive]:
    """Raises BadArchive, and OSError where there is no such file."""
    with path.open("rb") as file:
        if file.read(len(_MAGIC)) != _MAGIC:
            raise BadArchive("it is no backup of this program, or one of another format")
        try:
            with gzip.GzipFile(fileobj=file, mode="rb") as packed:
                yield Archive(packed)
        except EOFError:
            raise BadArchive("it is cut off") from None
        except (gzip.BadGzipFile, zlib.error):
            raise BadArchive("it is damaged") from None


@contextmanager
def _private(path: Path) -> Iterator[BinaryFile]:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
        yield file


def _sync_folder(folder: Path) -> None:
    """A name is on disk when its folder is. Not every system lets a folder be opened."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
