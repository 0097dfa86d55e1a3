"""How much one caller, and all callers together, may ask for."""

from __future__ import annotations

import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from drainledger.web.problems import Refusal, retry_after


@dataclass(slots=True)
class _Bucket:
    tokens: float
    at: float


class RateLimit:
    """A token bucket a caller: `burst` requests at once, `rate` a second for good.

    Of callers, the `remembered` latest are kept; one that is forgotten starts with a full bucket, so that this can only
    err towards letting a request in. `now` is a monotonic clock in seconds.
    """

    def __init__(
        self, rate: float, burst: int, now: Callable[[], float], *, remembered: int = 10_000
    ) -> None:
        self._rate, self._burst, self._now, self._remembered = rate, burst, now, remembered
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def take(self, caller: str) -> None:
        """Counts one request; raises Refusal `too-many-requests` with the time until the next is let in."""
        now = self._now()
        bucket = self._buckets.pop(caller, None) or _Bucket(self._burst, now)
        self._buckets[caller] = bucket
        if len(self._buckets) > self._remembered:
            self._buckets.popitem(last=False)
        bucket.tokens = min(self._burst, bucket.tokens + (now - bucket.at) * self._rate)
        bucket.at = now
        if bucket.tokens < 1:
            raise Refusal(
                "too-many-requests",
                "Wait as long as Retry-After says; send many records in one request rather than one each.",
                headers=retry_after((1 - bucket.tokens) / self._rate),
            )
        bucket.tokens -= 1

    def give_back(self, caller: str) -> None:
        """What was taken last need not count after all."""
        if bucket := self._buckets.get(caller):
            bucket.tokens = min(self._burst, bucket.tokens + 1)


class Acquainted:
    """Credentials that were good a while ago, by a sum that tells nothing of them: the `remembered` latest."""

    def __init__(self, *, remembered: int = 10_000) -> None:
        self._remembered = remembered
        self._sums: OrderedDict[bytes, None] = OrderedDict()
        self._key = secrets.token_bytes(32)

    def __contains__(self, credentials: str) -> bool:
        return self._sum(credentials) in self._sums

    def add(self, credentials: str) -> None:
        sum_ = self._sum(credentials)
        self._sums[sum_] = None
        self._sums.move_to_end(sum_)
        if len(self._sums) > self._remembered:
            self._sums.popitem(last=False)

    def forget(self, credentials: str) -> None:
        self._sums.pop(self._sum(credentials), None)

    def _sum(self, credentials: str) -> bytes:
        return hashlib.blake2b(credentials.encode(errors="surrogateescape"), key=self._key).digest()


class Budget:
    """Bytes of request bodies in memory at once, over all requests. Used from the event loop alone."""

    def __init__(self, most: int) -> None:
        self._most = most
        self.used = 0

    @contextmanager
    def share(self) -> Iterator[Callable[[int], None]]:
        """Gives a function that asks for more bytes; all are given back at the end. Raises Refusal `busy`."""
        taken = 0

        def take(more: int) -> None:
            nonlocal taken
            if self.used + more > self._most:
                raise Refusal(
                    "busy",
                    "Too many records are on their way at once. Nothing of this request was taken: send it again.",
                    headers=retry_after(1),
                )
            self.used += more
            taken += more

        try:
            yield take
        finally:
            self.used -= taken
