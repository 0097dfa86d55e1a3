"""Which drain feeds which chamber, from when to when (DESIGN 4 'Events').

Only changes decide this (connected, replaced, disconnected, removed) and, because a tip concerns every chamber of a
collector, tips are placed here too. Levels play no part, so a late reading never touches the topology. Drains that
share a collector are resolved together: an occupied chamber can't be connected to.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from drainledger.domain.collectors import Profile, Rules
from drainledger.domain.entries import Connection
from drainledger.domain.order import Order, displacing_order, event_order
from drainledger.domain.records import ChamberLevels, Drain, Event, Reads

#: Answers a collector's profile and the rules in force for an event, or None where either is unknown.
ProfileOf = Callable[[str, Event], "Judged | None"]
DrainOf = Callable[[str], Drain | None]


class Judged(Struct, frozen=True, eq=False):
    """A profile and the version of the rules by which a connection is judged. Compared by identity: the book hands
    out one for each pair, and a state that carries it is compared at every node."""

    profile: Profile
    rules: Rules


class Placement(Struct, frozen=True, kw_only=True):
    """What one change or tip means for one drain.

    `part` is "" for the drain that the event names, else "<chamber>.". Levels are mL or None where not stated.
    `start_stated` tells that the source gave `start_level`, which else is what the rules say (0 in a fresh unit).
    `order` is its place among the drain's nodes, set when it is placed. `final_level` of a change that ends no
    connection may be of the unit that came off before (`late_final`).
    """

    event: Event
    status: Literal["used", "set-aside", "waiting"]
    why: str | None = None
    part: str = ""
    closed: Connection | None = None
    opened: Connection | None = None
    judged: Judged | None = None
    final_level: Decimal | None = None
    start_level: Decimal | None = None
    start_stated: bool = False
    tip: bool = False
    order: Order | None = None

    @property
    def late_final(self) -> bool:
        """Whether it states a last level although it takes no unit off."""
        return self.final_level is not None and self.closed is None and not self.tip


class Topology(Struct, frozen=True):
    """Connections and placements of every drain of one component, in order."""

    connections: dict[str, tuple[Connection, ...]]
    placements: dict[str, tuple[Placement, ...]]
    #: The rules by which each connection is judged, by (drain, start, collector, chamber).
    judged: dict[tuple[str, datetime, str, str], Judged]


def resolve(events: Iterable[Event], profile_of: ProfileOf, drain_of: DrainOf) -> Topology:
    """Replays changes and tips in order. `events` are those of one component, in any order."""
    resolver = _Resolver(profile_of, drain_of)
    for _, instant in groupby(sorted(events, key=event_order), key=lambda event: event.at):
        resolver.take_instant(list(instant))
    return resolver.result()


def connection_key(connection: Connection) -> tuple[str, datetime, str, str]:
    """Names a connection within its component."""
    return (connection.drain, connection.start, connection.collector, connection.chamber)


class _Resolver:
    def __init__(self, profile_of: ProfileOf, drain_of: DrainOf) -> None:
        self._profile_of = profile_of
        self._drain_of = drain_of
        self._current: dict[str, Connection] = {}
        self._occupied: dict[tuple[str, str], str] = {}
        self._held: frozenset[str] = frozenset()
        self._used_before: set[tuple[str, str]] = set()
        self._removed: set[str] = set()
        self._connections: dict[str, list[Connection]] = {}
        self._placements: dict[str, list[Placement]] = {}
        self._judged: dict[tuple[str, datetime, str, str], Judged] = {}

    def take_instant(self, events: Sequence[Event]) -> None:
        """What is charted for one instant, in order. A connection that ends another or needs its chamber comes last: at
        a handover the end of the one and the start of the other are charted for the same minute."""
        self._held = frozenset(self._current)
        occupied = {unit for unit, _ in self._occupied}
        last = [
            e for e in events if e.kind == "connected" and (e.drain in self._held or e.collector in occupied)
        ]
        for event in (*(e for e in events if e not in last), *last):
            self._take(event)

    def _take(self, event: Event) -> None:
        if event.drain is not None:
            self._place(event.drain, self._for_drain(event, event.drain))
            if event.kind == "tipped":
                self._tip_the_others(event, event.drain)
        elif event.kind == "tipped" and event.collector is not None:
            self._tip_all(event, event.collector)
        elif event.kind == "replaced" and event.from_collector is not None:
            self._replace_all(event, event.from_collector)

    def result(self) -> Topology:
        return Topology(
            {drain: tuple(found) for drain, found in self._connections.items()},
            {drain: tuple(_one_tip_an_instant(found)) for drain, found in self._placements.items()},
            self._judged,
        )

    def _place(self, drain: str, placement: Placement) -> None:
        displaces = placement.event.kind == "connected" and drain in self._held
        order = displacing_order(placement.event) if displaces else event_order(placement.event)
        self._placements.setdefault(drain, []).append(replace(placement, order=order))

    def _for_drain(self, event: Event, drain: str) -> Placement:
        if event.kind in ("connected", "replaced"):
            return self._change(event, drain)
        if event.kind == "tipped":
            return self._tip_of(event, drain, "")
        return self._close(event, drain)

    def _change(self, event: Event, drain: str, levels: ChamberLevels | None = None) -> Placement:
        """A connection to `event.collector`, whatever the drain fed before."""
        part = "" if levels is None else f"{levels.chamber}."
        final = levels.final_level if levels is not None else event.final_level
        if drain in self._removed:
            return _after_removal(event, part, final)
        if event.kind == "replaced" and drain not in self._connections:
            return Placement(event=event, status="waiting", why="not-connected-yet", part=part)
        collector = event.collector or ""
        judged = self._profile_of(collector, event)
        if judged is None:
            return Placement(event=event, status="waiting", why="collector-unknown", part=part)
        old = self._current.get(drain)
        chamber, why = self._chamber(event, judged.profile, old, levels)
        if chamber is None:
            return Placement(event=event, status="set-aside", why=why, part=part)
        holder = self._occupied.get((collector, chamber))
        if holder is not None:
            if holder != drain:
                return Placement(event=event, status="set-aside", why="chamber-occupied", part=part)
            return Placement(
                event=event, status="set-aside", why="already-in-place", part=part, final_level=final
            )
        closed = self._end(drain, event) if old is not None else None
        opened = self._open(event, drain, collector, chamber, judged)
        stated = levels.start_level if levels is not None else event.start_level
        # A replaced unit starts at 0; one that was in use before stands at a level only its reader knows.
        fresh = (collector, chamber) not in self._used_before
        is_change = event.kind == "replaced" or closed is not None
        start = Decimal(0) if stated is None and is_change and fresh else stated
        self._used_before.add((collector, chamber))
        return Placement(
            event=event,
            status="used",
            part=part,
            closed=closed,
            opened=opened,
            judged=judged,
            final_level=final,
            start_level=start,
            start_stated=stated is not None,
        )

    def _chamber(
        self, event: Event, profile: Profile, old: Connection | None, levels: ChamberLevels | None
    ) -> tuple[str | None, str | None]:
        """The chamber that the event means, or why none can be told."""
        stated = levels.chamber if levels is not None else event.chamber
        if stated is not None:
            return (stated, None) if profile.chamber(stated) is not None else (None, "no-such-chamber")
        if len(profile.chambers) == 1:
            return profile.chambers[0].id, None
        if old is not None and old.collector == event.collector:
            return old.chamber, None
        if old is not None and profile.chamber(old.chamber) is not None:
            return old.chamber, None
        return None, "chamber-not-stated"

    def _open(self, event: Event, drain: str, collector: str, chamber: str, judged: Judged) -> Connection:
        known = self._drain_of(drain)
        reads: Reads = event.reads or (known.reads if known is not None else None) or judged.profile.reads
        opened = Connection(
            drain=drain,
            collector=collector,
            chamber=chamber,
            reads=reads,
            start=event.at,
            opened_by=event.key,
        )
        self._current[drain] = opened
        self._occupied[(collector, chamber)] = drain
        self._connections.setdefault(drain, []).append(opened)
        self._judged[connection_key(opened)] = judged
        return opened

    def _end(self, drain: str, event: Event) -> Connection:
        old = self._current.pop(drain)
        self._occupied.pop((old.collector, old.chamber), None)
        ended = Connection(
            drain=old.drain,
            collector=old.collector,
            chamber=old.chamber,
            reads=old.reads,
            start=old.start,
            opened_by=old.opened_by,
            end=event.at,
            closed_by=event.key,
        )
        self._connections[drain][-1] = ended
        return old

    def _close(self, event: Event, drain: str) -> Placement:
        """`disconnected` or `removed`."""
        if drain in self._removed:
            return _after_removal(event, "", event.final_level)
        if event.kind == "removed":
            self._removed.add(drain)
        if drain in self._current:
            return Placement(
                event=event, status="used", closed=self._end(drain, event), final_level=event.final_level
            )
        if event.kind == "removed":
            return Placement(event=event, status="used", final_level=event.final_level)
        if drain not in self._connections:
            return Placement(event=event, status="waiting", why="not-connected-yet")
        return Placement(event=event, status="set-aside", why="not-connected", final_level=event.final_level)

    def _replace_all(self, event: Event, old_collector: str) -> None:
        """A unit changed as a whole: every drain that it serves goes to the same chamber of the new one. For those that
        went there already it is charted again."""
        by_chamber = {levels.chamber: levels for levels in event.levels}
        again = self._moved(old_collector, event.collector) if event.collector != old_collector else []
        for drain, chamber in self._served(old_collector):
            levels = by_chamber.get(chamber, ChamberLevels(chamber))
            self._place(drain, self._change(event, drain, levels))
        for drain, chamber in again:
            final = by_chamber.get(chamber, ChamberLevels(chamber)).final_level
            known = Placement(
                event=event, status="set-aside", why="already-in-place", part=f"{chamber}.", final_level=final
            )
            self._place(drain, known)

    def _moved(self, old_collector: str, new_collector: str | None) -> list[tuple[str, str]]:
        """The drains whose last change led from the one unit to the other, each with the chamber that it left."""
        found = []
        for drain, connection in self._current.items():
            before = self._connections[drain][-2:-1]
            if connection.collector == new_collector and before and before[0].collector == old_collector:
                found.append((drain, before[0].chamber))
        return sorted(found, key=lambda pair: (pair[1], pair[0]))

    def _served(self, collector: str) -> list[tuple[str, str]]:
        held = [(drain, chamber) for (unit, chamber), drain in self._occupied.items() if unit == collector]
        return sorted(held, key=lambda pair: pair[1])

    def _tip_of(self, event: Event, drain: str, part: str) -> Placement:
        current = self._current.get(drain)
        if current is None:
            known = drain in self._connections
            return Placement(
                event=event,
                status="set-aside" if known else "waiting",
                why="not-connected" if known else "not-connected-yet",
                part=part,
                tip=True,
            )
        levels = next((each for each in event.levels if each.chamber == current.chamber), None)
        named = event.drain == drain
        before = levels.level_before if levels else (event.level_before if named else None)
        after = levels.level_after if levels else (event.level_after if named else None)
        return Placement(
            event=event,
            status="used",
            part=part,
            closed=current,
            opened=current,
            judged=self._judged[connection_key(current)],
            final_level=before,
            start_level=after,
            start_stated=after is not None,
            tip=True,
        )

    def _tip_the_others(self, event: Event, named: str) -> None:
        current = self._current.get(named)
        if current is None:
            return
        for drain, chamber in self._served(current.collector):
            if drain != named:
                self._place(drain, self._tip_of(event, drain, f"{chamber}."))

    def _tip_all(self, event: Event, collector: str) -> None:
        for drain, chamber in self._served(collector):
            self._place(drain, self._tip_of(event, drain, f"{chamber}."))


def _after_removal(event: Event, part: str, final: Decimal | None) -> Placement:
    """Nothing is put on or taken off any more; its last level may be of the unit that came off."""
    return Placement(event=event, status="set-aside", why="drain-removed", part=part, final_level=final)


def _one_tip_an_instant(placements: list[Placement]) -> list[Placement]:
    """Two nurses may chart one tip, each for her own chamber or both for one: of an instant the tip that states most of
    this chamber counts, then the one that took less. Another that names this drain is set aside; one that only reached
    it is not of this drain."""
    best: dict[datetime, Placement] = {}
    for placement in placements:
        if placement.tip and placement.status == "used":
            known = best.get(placement.event.at)
            if known is None or _says_less(known, placement):
                best[placement.event.at] = placement
    found = []
    for placement in placements:
        counts = best.get(placement.event.at)
        if not placement.tip or placement.status != "used" or placement is counts:
            found.append(placement)
        elif not placement.part:
            found.append(replace(placement, status="set-aside", why="charted-already"))
    return found


def _says_less(one: Placement, other: Placement) -> bool:
    def rank(placement: Placement) -> tuple[int, bool, Decimal, str, str]:
        before, after = placement.final_level, placement.start_level
        stated = (before is not None) + (after is not None)
        taken = (before or Decimal(0)) - (after or Decimal(0))
        return -stated, bool(placement.part), taken, placement.event.key.id, placement.event.key.source

    return rank(other) < rank(one)
