"""How much of the service one tenant's readers may take up: a fold of a long journal keeps a processor for seconds."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

#: Long reads of one tenant that work at once, and that are let in, those that wait included.
AT_WORK: Final = 2
LET_IN: Final = 12
#: How long a read waits for its turn, or for the book that another reads, s.
WAIT_SECONDS: Final = 10.0


class TooManyReads(Exception):
    """The tenant's other reads take all that a tenant may have. Worth trying again in a few seconds."""


class Folds:
    """Thread-safe. A read that may be long is first `let_in`, then takes its `turn`."""

    def __init__(
        self, *, at_work: int = AT_WORK, let_in: int = LET_IN, wait_seconds: float = WAIT_SECONDS
    ) -> None:
        self._at_work = at_work
        self._let_in = let_in
        self._wait_seconds = wait_seconds
        self._changed = threading.Condition()
        self._inside: dict[str, int] = {}
        self._working: dict[str, int] = {}

    @contextmanager
    def let_in(self, tenant: str) -> Iterator[None]:
        """Raises TooManyReads at once: who waits has a thread, and there must be some for others."""
        with self._changed:
            if self._inside.get(tenant, 0) >= self._let_in:
                raise TooManyReads
            _count(self._inside, tenant, +1)
        try:
            yield
        finally:
            with self._changed:
                _count(self._inside, tenant, -1)

    @contextmanager
    def turn(self, tenant: str) -> Iterator[None]:
        """Waits until another is done. Raises TooManyReads where that takes too long."""
        with self._changed:
            if not self._changed.wait_for(
                lambda: self._working.get(tenant, 0) < self._at_work, self._wait_seconds
            ):
                raise TooManyReads
            _count(self._working, tenant, +1)
        try:
            yield
        finally:
            with self._changed:
                _count(self._working, tenant, -1)
                self._changed.notify_all()

    @contextmanager
    def long(self, tenant: str) -> Iterator[None]:
        """Both, where nothing is done between."""
        with self.let_in(tenant), self.turn(tenant):
            yield


def _count(counts: dict[str, int], tenant: str, step: int) -> None:
    counts[tenant] = counts.get(tenant, 0) + step
    if not counts[tenant]:
        del counts[tenant]
