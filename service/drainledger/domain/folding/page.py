"""The page on which one node is worked out: what holds before it, and what it leaves."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Literal, TypeAlias
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from drainledger.domain.acts import is_past
from drainledger.domain.bedside import Noticed
from drainledger.domain.collectors import Rules
from drainledger.domain.entries import Connection, Finding, Ground, Interval, LevelMark, LevelRef, Total, What
from drainledger.domain.findings import make_finding
from drainledger.domain.levels import Scale
from drainledger.domain.nodes import Node
from drainledger.domain.quantities import plain
from drainledger.domain.records import Drain, Event, Reading
from drainledger.domain.state import State
from drainledger.domain.texts import which_counts
from drainledger.domain.topology import Judged
from drainledger.domain.window_book import Period

Status: TypeAlias = Literal["used", "set-aside", "waiting"]


class Page:
    """Turned to one node after another. `connections` are the drain's, in order; `joined` are the periods in which a Y
    led its output into another drain's chamber."""

    def __init__(
        self,
        drain: Drain,
        rules: Rules,
        nodes: Sequence[Node],
        connections: Sequence[Connection],
        joined: Sequence[Period],
    ) -> None:
        self.drain = drain
        self.zone = ZoneInfo(drain.time_zone)
        self.nodes = nodes
        self.connections = connections
        self.joined = joined
        self._rules = rules
        #: Of the readings of one chamber at one instant (and rank), the one that counts: see `misreading.anchor_here`.
        self.chosen: tuple[datetime, int, Connection, Node] | None = None
        self._scales: dict[tuple[str, str, str, str], Scale | None] = {}

    def begin(self) -> None:
        """Forgets what was found out about the nodes, which may have changed."""
        self.chosen = None

    def turn(self, index: int, before: State) -> None:
        """A clean page for the node at `index`, on which the state before it holds."""
        self.index = index
        self.node = self.nodes[index]
        self.flow, self.sums, self.bedside = before.flow, before.sums, before.bedside
        if self.flow.emptying is not None and is_past(self.flow.emptying, self.node.order.at):
            self.flow = replace(self.flow, emptying=None)
        self.findings: list[Finding] = []
        self.levels: list[LevelMark] = []
        self.interval: Interval | None = None
        self.total: Total | None = None
        self.dropped: tuple[str, ...] = ()
        self.leak_free: Decimal | None = None
        self.last_leak: tuple[Ground, ...] = ()
        self.speaks_of: Connection | None = before.flow.connection

    def note(
        self, code: str, grounds: Sequence[Ground | None] = (), **facts: Decimal | str | datetime
    ) -> None:
        """A finding about this node, and what it rests on (None among it: not known by which record)."""
        key, at = self.node.record.key, self.node.order.at
        known = [ground for ground in grounds if ground is not None]
        self.findings.append(make_finding(code, key, at, self.zone, self.rules_now(), (), facts, known))

    def note_all(self, noticed: Sequence[Noticed]) -> None:
        for code, facts, grounds in noticed:
            self.note(code, grounds, **facts)

    def own(self, what: What, part: str = "") -> Ground:
        """Something of this node's own record."""
        return Ground(self.node.record.key, what, part)

    def rules_now(self) -> Rules:
        """The version by which the connection in place is judged."""
        return self.flow.judged.rules if self.flow.judged is not None else self._rules

    def rule_on(self, code: str) -> bool:
        """Whether a rule of attention.toml is on for this kind of drain."""
        rule = self.rules_now().attention.get(code)
        return rule is not None and rule.on and (not rule.kinds or self.drain.kind in rule.kinds)

    def limit(self, code: str, name: str) -> Decimal | None:
        """A rule's threshold."""
        rule = self.rules_now().attention.get(code)
        return rule.values.get(name) if rule is not None else None

    def scale(self, connection: Connection, judged: Judged) -> Scale | None:
        """How a connection's levels are judged; None where the profile lacks the chamber."""
        key = (judged.rules.version, judged.profile.id, connection.chamber, connection.reads)
        if key not in self._scales:
            chamber = judged.profile.chamber(connection.chamber)
            self._scales[key] = (
                Scale(judged.profile, chamber, connection.reads == "counter") if chamber is not None else None
            )
        return self._scales[key]


def level_of(ref: LevelRef | None) -> Ground | None:
    """A stated level as what a finding rests on."""
    return None if ref is None else Ground(ref.owner, "level", ref.part)


def disagreement(scale: Scale, level: Decimal, other: Decimal) -> str:
    """What is told of a level (mL) that is a check on another of its instant or its unit."""
    return "readings-disagree" if abs(level - other) > scale.tolerance(level, other) else "read-twice"


def contest(
    page: Page,
    why: str,
    grounds: Sequence[Ground | None],
    level: Decimal,
    other: tuple[Decimal, datetime],
    decided: str,
) -> None:
    """Tells of a level (mL) of this node beside `other`, which counts, with its instant; `decided` as in `texts`."""
    base, base_at = other
    page.note(why, grounds, level=level, base=base, base_at=base_at, used=which_counts(plain(base), decided))


def unverified(record: Reading | Event) -> bool:
    """A device's value that nobody has verified."""
    return record.observer is not None and record.observer.kind == "device"


def mark(
    page: Page,
    record: Reading | Event,
    connection: Connection,
    level: Decimal,
    why: str | None = None,
    part: str = "",
) -> Status:
    """A level (mL) that a record states, used unless there is a reason why not."""
    page.levels.append(
        LevelMark(
            owner=record.key,
            part=part,
            at=record.at,
            collector=connection.collector,
            chamber=connection.chamber,
            value=level,
            used=why is None,
            why=why,
            counter=connection.reads == "counter",
        )
    )
    return "used" if why is None else "set-aside"


#: What a connection is read by, for people.
READ_BY = {"level": "the level in the chamber", "volume": "the amount", "counter": "the device's count"}


def read_otherwise(page: Page, connection: Connection) -> Status:
    """An amount of another kind than the connection is read by is set aside."""
    page.note("reads-otherwise", wanted=READ_BY[connection.reads])
    return "set-aside"
