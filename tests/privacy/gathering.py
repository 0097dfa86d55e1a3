"""Where a run's logs, figures and errors are put: files in one folder, whatever the number of workers."""

from __future__ import annotations

import io
import json
import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal, NamedTuple, TextIO

import structlog

from drainledger.web import logs

Kind = Literal["log", "process log", "figures", "error", "held", "answer", "identifier"]
#: What is searched; the others say what else was seen. `held`: answers about held records, which may name records.
SEARCHED: tuple[Kind, ...] = ("log", "process log", "figures", "error", "held")


class Piece(NamedTuple):
    """Something that was said, in which test."""

    kind: Kind
    test: str
    text: str


class Gathering:
    """One worker's part of a run."""

    def __init__(self, folder: Path, worker: str) -> None:
        self._file = (folder / f"{worker}.ndjson").open("a", encoding="utf-8", buffering=1)
        self._watched: dict[Path, str] = {}

    def add(self, kind: Kind, text: str) -> None:
        self._add(Piece(kind, _test(), text))

    def _add(self, piece: Piece) -> None:
        if not self._file.closed:
            self._file.write(json.dumps(piece) + "\n")

    def watch(self, log: Path) -> None:
        """A file into which a process writes; it is read when the run ends."""
        self._watched.setdefault(log.absolute(), _test())

    def close(self) -> None:
        """Raises nothing for a log that never came to be: its process may not have started."""
        for log, test in self._watched.items():
            if log.exists():
                for line in log.read_text(encoding="utf-8", errors="replace").splitlines():
                    self._add(Piece("process log", test, line))
        self._file.close()


def gathered(folder: Path) -> Iterator[Piece]:
    """What all workers put there."""
    for path in sorted(folder.glob("*.ndjson")):
        with path.open(encoding="utf-8") as lines:
            for line in lines:
                yield Piece(*json.loads(line))


class Listener(io.StringIO):
    """A stream whose lines are gathered, and given to another one too where there is one."""

    def __init__(self, gathering: Gathering, also: TextIO | None = None) -> None:
        super().__init__()
        self._gathering, self._also = gathering, also

    def write(self, text: str) -> int:
        self._gathering.add("log", text)
        return len(text) if self._also is None else self._also.write(text)


_current: list[Gathering] = []


def begin(gathering: Gathering) -> None:
    """From now on logs of this process are written as `drainledger serve` does, and gathered."""
    _current[:] = [gathering]
    logs.configure("info", Listener(gathering))


def watch(log: Path) -> None:
    """For tests that start a process of the service: gathers what it writes into this file."""
    for gathering in _current:
        gathering.watch(log)


@contextmanager
def overheard(level: str, stream: TextIO) -> Iterator[None]:
    """This process's logs in `stream` too, from this level on."""
    root, before = logging.getLogger(), structlog.get_config()
    handlers, old_level = list(root.handlers), root.level
    logs.configure(level, Listener(_current[0], stream))
    try:
        yield
    finally:
        root.handlers[:] = handlers
        root.setLevel(old_level)
        structlog.configure(**before)


def _test() -> str:
    return os.environ.get("PYTEST_CURRENT_TEST", "between tests").rpartition(" (")[0] or "between tests"
