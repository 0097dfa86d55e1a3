"""Where the result goes: standard output, or a file that appears whole or not at all."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO


class UnwritableOutput(Exception):
    """The output can't be written: no such folder, no permission, disk full."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(path, reason)
        self.path = path
        self.reason = reason

    def __str__(self) -> str:
        return f"can't write {self.path}: {self.reason}"


@contextmanager
def output(path: Path | None) -> Iterator[BinaryIO]:
    """A stream to write to; None is standard output. A file takes its name only when all is written, so that a failure
    leaves what was there before. Devices and pipes are written to directly."""
    if path is None:
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
    elif path.exists() and not path.is_file():
        with _explained(path), path.open("wb") as stream:
            yield stream
    else:
        with _explained(path), _renamed_when_whole(path) as stream:
            yield stream


@contextmanager
def _renamed_when_whole(path: Path) -> Iterator[BinaryIO]:
    target = path.resolve()  # a link keeps pointing where it does
    descriptor, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
    try:
        with os.fdopen(descriptor, "wb") as stream:
            os.fchmod(stream.fileno(), _mode(target))
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).replace(target)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise


def _mode(target: Path) -> int:
    """The permissions of the file that is replaced, else those that the process gives to new files."""
    if target.exists():
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        raise UnwritableOutput(path, error.strerror or str(error)) from error


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that appears whole or not at all."""
    with output(path) as stream:
        stream.write(content)
