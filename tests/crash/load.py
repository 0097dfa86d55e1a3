"""Clients that post batches at once, until all are answered or nobody answers any more."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import httpx

from tests.crash.stream import Batch

CLIENTS = 4
HEADERS = {"Content-Type": "application/x-ndjson"}


@dataclass
class Outcome:
    """What the clients saw. `unanswered` batches may be in the journal or not; `left` ones were never sent."""

    answered: list[Batch] = field(default_factory=list)
    unanswered: list[Batch] = field(default_factory=list)
    left: list[Batch] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    results: Counter[str] = field(default_factory=Counter)


class Load:
    """`CLIENTS` threads, each on a connection of its own, over one queue of batches."""

    def __init__(self, bases: Sequence[str], key: str, batches: Sequence[Batch]) -> None:
        self.outcome = Outcome()
        self._bases = bases
        self._headers = HEADERS | {"Authorization": f"Bearer {key}"}
        self._queue = deque(batches)
        self._enough = False
        self._lock = threading.Lock()
        self._one_more = threading.Semaphore(0)
        self._threads = [threading.Thread(target=self._client, args=(number,)) for number in range(CLIENTS)]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def wait_for_answers(self, count: int) -> None:
        """Until `count` batches have been answered, or no client is left to be answered."""
        for _ in range(count):
            while not self._one_more.acquire(timeout=0.2):
                if not any(thread.is_alive() for thread in self._threads):
                    return

    def answered(self) -> list[Batch]:
        """What has been answered 2xx by now."""
        with self._lock:
            return list(self.outcome.answered)

    def enough(self) -> None:
        """No client takes another batch."""
        self._enough = True

    def end(self) -> Outcome:
        """Waits for the clients; what they did not come to is `left`."""
        for thread in self._threads:
            thread.join(timeout=120)
            assert not thread.is_alive(), "a client still waits for an answer after 120 s"
        self.outcome.left = list(self._queue)
        return self.outcome

    def _client(self, number: int) -> None:
        base = self._bases[number % len(self._bases)]
        with httpx.Client(base_url=base, headers=self._headers, timeout=60, trust_env=False) as client:
            while self._take_one(client):
                pass

    def _take_one(self, client: httpx.Client) -> bool:
        if self._enough:
            return False
        try:
            batch = self._queue.popleft()
        except IndexError:
            return False
        try:
            answer = client.post("/v1/records", content=batch.body)
            told = answer.json()
        except (httpx.TransportError, ValueError):
            with self._lock:
                self.outcome.unanswered.append(batch)
            return False
        self._note(batch, answer.status_code, told)
        self._one_more.release()
        return True

    def _note(self, batch: Batch, status: int, told: Any) -> None:
        with self._lock:
            if status != 200:
                self.outcome.refused.append(f"{status} {told}")
                return
            self.outcome.answered.append(batch)
            self.outcome.results.update(result["status"] for result in told["results"])


def post_all(bases: Sequence[str], key: str, batches: Sequence[Batch]) -> Outcome:
    """All of them, to services that stay up."""
    load = Load(bases, key, batches)
    load.start()
    outcome = load.end()
    assert outcome.refused == [], outcome.refused[:3]
    assert not outcome.unanswered, "a service that was not killed gave no answer"
    return outcome


def post_until_killed(
    bases: Sequence[str], key: str, batches: Sequence[Batch], rng: random.Random, kill: Callable[[], None]
) -> Outcome:
    """Posts, and kills while the clients wait for answers: after a random number of them and a random moment."""
    load = Load(bases, key, batches)
    load.start()
    load.wait_for_answers(rng.randint(1, max(1, len(batches) * 3 // 4)))
    time.sleep(rng.uniform(0, 0.01))
    kill()
    outcome = load.end()
    assert outcome.refused == [], outcome.refused[:3]
    return outcome
