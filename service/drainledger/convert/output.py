"""Where the result goes: standard output, or a file that appears whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Final

#: What to do about the usual reasons.
_ADVICE: Final = {
    errno.ENOENT: "make the folder first",
    errno.ENOTDIR: "part of the path is a file; choose another folder",
    errno.EISDIR: "it is a folder; name a file in it",
    errno.ENAMETOOLONG: "choose a shorter name",
    errno.ELOOP: "it is a link that leads back to itself; remove the link or name another file",
    errno.EACCES: "choose a place where you may write",
    errno.EROFS: "choose a place where you may write",
    errno.ENOSPC: "make room, or choose another disk",
}


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
    leaves what was there before. Devices and pipes are written to directly. Raises UnwritableOutput."""
    if path is None:
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    with _explained(path):
        if _is_in_place(path):
            with path.open("wb") as stream:
                yield stream
        else:
            with _renamed_when_whole(path) as stream:
                yield stream


def refuse_input(out: Path | None, read_from: Path | None) -> None:
    """Raises UnwritableOutput where `out` is the file that is read, by whatever path or link (None: standard input)."""
    if out is None:
        return
    try:
        found, read = out.stat(), os.fstat(0) if read_from is None else read_from.stat()
    except OSError:
        return  # one of the two is not there: whoever opens it says so
    if stat.S_ISREG(found.st_mode) and os.path.samestat(found, read):
        raise UnwritableOutput(out, "it is the file that is read; name another file")


def _is_in_place(path: Path) -> bool:
    """Whether there is something that can't be replaced by a file."""
    try:
        return not stat.S_ISREG(path.stat().st_mode)
    except FileNotFoundError:
        return False


@contextmanager
def _renamed_when_whole(path: Path) -> Iterator[BinaryIO]:
    target = path.resolve()  # a link keeps pointing where it does
    _try_name(target)
    # Its name is short whatever the target's is.
    descriptor, name = tempfile.mkstemp(dir=target.parent, prefix=".drainledger-", suffix=".part")
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


def _try_name(target: Path) -> None:
    """Raises OSError where no file can have this name: before the work, not after it."""
    with suppress(FileNotFoundError):
        target.lstat()


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
        raise UnwritableOutput(path, reason_of(error)) from error


def reason_of(error: OSError) -> str:
    """What the system says, and what to do."""
    said = error.strerror or str(error)
    advice = _ADVICE.get(error.errno or 0)
    return f"{said}; {advice}" if advice else said


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that appears whole or not at all."""
    with output(path) as stream:
        stream.write(content)
