"""Rounds of kill -9 under load, over one database that lives through all of them.

A round: clients post; a process is killed while they wait for answers; now and then the next one is killed while it
starts; then the journal is looked at, what had no answer is sent again, as any client would, and each drain's ledger is
compared with a computation from the records alone. SIGKILL ends a process, not the machine: what is shown is
that nothing is answered before it is committed, not what a power cut leaves of a disk.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field

from tests.crash.journal import Journal
from tests.crash.ledgers import different, recomputed, shown
from tests.crash.load import Outcome, post_all, post_until_killed
from tests.crash.service import Service
from tests.crash.stream import Batch, Name, Sent, mixed, records

JOURNALS = 3
SIZE = 50
LARGEST = 8


@dataclass
class Counts:
    """What happened, and what was found. `lost`, `twice` and `ledgers_wrong` must end at nothing."""

    rounds: int = 0
    killed_under_load: int = 0
    killed_again_while_starting: int = 0
    records: int = 0
    answered_before_the_kill: int = 0
    without_an_answer: int = 0
    of_those_committed: int = 0
    sent_again: int = 0
    ledgers_compared: int = 0
    lost: list[Name] = field(default_factory=list)
    twice: list[Name] = field(default_factory=list)
    ledgers_wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        told = {
            name: len(value) if isinstance(value, list) else value for name, value in asdict(self).items()
        }
        return ", ".join(f"{name.replace('_', ' ')}: {value}" for name, value in told.items())

    @property
    def faults(self) -> list[object]:
        return [*self.lost, *self.twice, *self.ledgers_wrong]


class Rounds:
    """`services` share the database; one of them, chosen at random, is killed in each round."""

    def __init__(self, services: Sequence[Service], database: str, key: str, seed: int) -> None:
        self.counts = Counts()
        self._services = services
        self._journal = Journal(database)
        self._key = key
        self._rng = random.Random(seed)
        self._seed = seed
        self._seen = 0
        self._stored: Counter[Name] = Counter()

    def run(self, count: int) -> Counts:
        try:
            for service in self._services:
                service.start()
            for number in range(count):
                self._round(number)
                if self.counts.faults:
                    break
        finally:
            for service in self._services:
                service.end()
            self._journal.close()
        return self.counts

    @property
    def _bases(self) -> list[str]:
        return [service.base for service in self._services]

    def _round(self, number: int) -> None:
        counts = self.counts
        streams = [records(self._seed + number * JOURNALS + part, SIZE) for part in range(JOURNALS)]
        batches = mixed(self._rng, streams, LARGEST)
        victim = self._rng.choice(self._services)
        outcome = post_until_killed(self._bases, self._key, batches, self._rng, victim.kill)
        counts.rounds += 1
        counts.killed_under_load += bool(outcome.unanswered)
        counts.records += sum(len(stream) for stream in streams)
        counts.answered_before_the_kill += len(_names(outcome.answered))
        counts.without_an_answer += len(_names(outcome.unanswered))
        self._start_again(victim)
        self._look(outcome)
        if not counts.faults:
            self._send_the_rest(outcome)
        if not counts.faults:
            self._compare(streams)

    def _start_again(self, victim: Service) -> None:
        if self._rng.random() < 0.25:
            victim.launch()
            time.sleep(self._rng.uniform(0, 1.0))
            if victim.running:
                victim.kill()
                self.counts.killed_again_while_starting += 1
        victim.start()

    def _look(self, outcome: Outcome) -> None:
        """All that was answered is in the journal, and nothing twice."""
        fresh = self._read()
        self.counts.lost += lost(_names(outcome.answered), self._stored)
        self.counts.of_those_committed += len(set(_names(outcome.unanswered)) & fresh)

    def _send_the_rest(self, outcome: Outcome) -> None:
        """What had no answer, what was never sent, and a little of what was answered, as unsure clients do."""
        again = self._rng.sample(outcome.answered, min(3, len(outcome.answered)))
        ended = post_all(self._bases, self._key, [*outcome.unanswered, *again, *outcome.left])
        self.counts.sent_again += len(_names(outcome.unanswered)) + len(_names(again))
        self._read()
        self.counts.lost += lost(_names(ended.answered), self._stored)
        assert self._journal.held() == 0, "a record of the generated journals was held"

    def _read(self) -> set[Name]:
        """What came into the journal since it was last read."""
        self._seen, added = self._journal.names(self._seen)
        self._stored.update(added)
        fresh = set(added)
        self.counts.twice += [name for name in fresh if self._stored[name] > 1]
        return fresh

    def _compare(self, streams: Sequence[Sequence[Sent]]) -> None:
        ours = recomputed(record for stream in streams for record in stream)
        theirs = shown(self._rng.choice(self._bases), self._key, ours)
        self.counts.ledgers_compared += len(ours)
        self.counts.ledgers_wrong += different(theirs, ours)


def lost(answered: Iterable[Name], stored: Mapping[Name, int]) -> list[Name]:
    """What was answered 2xx and is not there."""
    return [name for name in dict.fromkeys(answered) if name not in stored]


def _names(batches: Sequence[Batch]) -> list[Name]:
    return [name for batch in batches for name in batch.names]


def faithful(count: int, services: Sequence[Service], database: str, key: str, seed: int) -> Counts:
    """Runs the rounds; raises AssertionError with what was lost, doubled or wrong."""
    counts = Rounds(services, database, key, seed).run(count)
    assert not counts.faults, f"seed {seed}: {counts}\n" + "\n".join(map(str, counts.faults[:10]))
    return counts
