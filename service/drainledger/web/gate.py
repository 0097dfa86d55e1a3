"""What is begun and not ended; and the door that closes when the service is told to stop."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

from drainledger.web.problems import Refusal, retry_after


class Gate:
    """Lets requests in until it is closed; what was let in may finish. Used from the event loop alone."""

    def __init__(self) -> None:
        self.closed = False
        self.in_flight = 0
        self._empty = asyncio.Event()
        self._empty.set()

    @contextmanager
    def passing(self) -> Iterator[None]:
        """One request, from its head to the end of its answer. Raises Refusal `stopping`."""
        if self.closed:
            raise Refusal(
                "stopping",
                "The service finishes what it has begun and takes nothing new. Nothing of this request was taken: send "
                "it again, to another instance or a little later.",
                headers={**retry_after(5), "Connection": "close"},
            )
        self.in_flight += 1
        self._empty.clear()
        try:
            yield
        finally:
            self.in_flight -= 1
            if not self.in_flight:
                self._empty.set()

    def close(self) -> None:
        self.closed = True

    async def empty(self) -> None:
        """Returns when nothing is in flight."""
        await self._empty.wait()
