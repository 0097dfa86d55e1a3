"""A bar on standard error: only on a terminal, and only for input long enough to wait for."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from drainledger.convert.lines import Source

#: Bytes below which a conversion is over before a bar could be read.
LONG = 2_000_000
_EVERY = 500


def lines_watched(source: Source) -> Iterator[tuple[int, bytes]]:
    """The lines of the source, under a bar where one is of use."""
    if source.size is None or source.size < LONG or not sys.stderr.isatty():
        yield from source
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading", total=source.size)
        for number, line in source:
            if number % _EVERY == 0:
                progress.update(task, completed=source.position())
            yield number, line
