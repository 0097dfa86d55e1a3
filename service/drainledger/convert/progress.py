"""A bar on standard error: only on a terminal, and only for input long enough to wait for."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sized
from contextlib import contextmanager
from typing import TYPE_CHECKING, TypeVar

from drainledger.convert.lines import Source

if TYPE_CHECKING:
    from rich.progress import Progress

#: Bytes below which a conversion is over before a bar could be read.
LONG = 2_000_000
_EVERY = 500

Group = TypeVar("Group", bound=Sized)


class Watch:
    """Sees lines and groups pass, and says nothing."""

    def lines(self, source: Source) -> Iterator[tuple[int, bytes]]:
        return iter(source)

    def groups(self, groups: Iterable[Group], records: int) -> Iterator[Group]:
        """`records` is how many all groups hold together."""
        return iter(groups)


class Bar(Watch):
    """Shows how many bytes are read, then how many records are converted."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress

    def lines(self, source: Source) -> Iterator[tuple[int, bytes]]:
        task = self._progress.add_task("reading", total=source.size)
        for number, line in source:
            if number % _EVERY == 0:
                self._progress.update(task, completed=source.position())
            yield number, line
        self._progress.update(task, completed=source.size)

    def groups(self, groups: Iterable[Group], records: int) -> Iterator[Group]:
        task = self._progress.add_task("converting", total=records)
        for group in groups:
            yield group
            self._progress.advance(task, len(group))


@contextmanager
def watch_over(source: Source) -> Iterator[Watch]:
    """A bar where one is of use, else a watch that says nothing. Other output may go to standard error meanwhile."""
    if source.size is None or source.size < LONG or not sys.stderr.isatty():
        yield Watch()
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        yield Bar(progress)
