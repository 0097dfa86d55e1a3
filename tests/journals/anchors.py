"""Raw records -> anchors, for the oracle. Written from the text of DESIGN 3 and 4, without the ledger's code.

Covers what `tests.journals.seeded` makes: levels under every change, tips, emptying, samples, reinfusions, irrigation,
clamps, amounts, corrections, retractions, duplicates, two readings at once. Volumes are whole tenths of a mL.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from tests.journals.raw import Raw

#: Capacity, up to where the finer marks go, finer step, coarser step, tolerance where it is fixed: tenths of a mL.
CHAMBERS: dict[str, tuple[int, int, int, int, int | None]] = {
    "adult-single": (20000, 5000, 20, 100, None),
    "adult-dual": (10000, 2000, 20, 100, None),
    "infant": (2000, 500, 5, 10, 30),
}
CHAMBER_NAMES = {"adult-single": "A", "adult-dual": "AB", "infant": "A"}
#: DESIGN 4 'Order': what comes first at one instant; what ends the old unit before what puts a new one on.
_RANKS: dict[str, int] = {
    **dict.fromkeys(("connected", "unclamped"), 0),
    **dict.fromkeys(("sampled", "reinfused", "weighed", "suction-prescribed", "milked", "vented"), 1),
    "reading": 2,
    **dict.fromkeys(("irrigated", "clamped"), 3),
    **{
        kind: 4 + place
        for place, kind in enumerate(("tipped", "emptied", "disconnected", "removed", "replaced"))
    },
}


@dataclass
class Segment:
    """A stretch of one chamber that no change interrupts. `anchors` are rows of an interval frame in order."""

    drain: str
    collector: str
    chamber: str
    profile: str
    anchors: list[dict[str, Any]] = field(default_factory=list)
    drawn: list[dict[str, Any]] = field(default_factory=list)
    #: Places after which the next interval is at-least, because an act was set aside that states other levels.
    doubts: list[float] = field(default_factory=list)

    def step(self, level: int) -> int:
        _, fine_to, fine, coarse, _ = CHAMBERS[self.profile]
        return fine if level <= fine_to else coarse

    def tolerance(self, level: int) -> int:
        fixed = CHAMBERS[self.profile][4]
        return fixed if fixed is not None else 2 * self.step(level)

    def differ(self, one: int | None, other: int | None) -> bool:
        """Whether two levels are stated that lie further apart than the tolerance."""
        return one is not None and other is not None and abs(one - other) > self.tolerance(max(one, other))

    @property
    def capacity(self) -> int:
        return CHAMBERS[self.profile][0]

    def anchor(self, here: dict[str, Any], kind: str, stated: int | None) -> None:
        """A level up to 5% above capacity is read as capacity; beyond, it is none."""
        admitted = stated is not None and stated <= self.capacity * 105 // 100
        level = min(stated, self.capacity) if stated is not None and admitted else None
        self.anchors.append(here | {"kind": kind, "level": level, "stated": stated})


@dataclass
class Drained:
    """One drain: its stretches in order, or its amounts; with irrigations and weights by place in the order."""

    segments: list[Segment] = field(default_factory=list)
    amounts: list[dict[str, Any]] = field(default_factory=list)
    irrigations: list[tuple[int, int]] = field(default_factory=list)
    weights: list[tuple[int, Decimal]] = field(default_factory=list)
    since: datetime | None = None


def statements(raws: Iterable[Raw]) -> list[Raw]:
    """What holds after duplicates, corrections (the latest made, then the greater id) and retractions."""
    first: dict[str, Raw] = {}
    for raw in raws:
        first.setdefault(raw["id"], raw)
    withdrawn = {raw["retracts"] for raw in first.values() if raw["record"] == "retraction"}
    latest: dict[str, Raw] = {}
    for raw in sorted(
        (raw for raw in first.values() if raw["record"] == "correction"),
        key=lambda raw: (datetime.fromisoformat(raw["made_at"]), raw["id"]),
    ):
        latest[raw["corrects"]] = raw
    holding = []
    for id_, raw in first.items():
        kind = raw["record"]
        if kind in ("correction", "retraction") or id_ in withdrawn:
            continue
        holding.append({"record": kind, "id": id_} | latest[id_][kind] if id_ in latest else raw)
    return holding


def mark(raw: Raw, name: str) -> int | None:
    """A quantity of a record in tenths of a mL; None where it is not stated."""
    stated = raw.get(name)
    return None if stated is None else int(Decimal(stated["value"]) * 10)


def drained(raws: Iterable[Raw]) -> dict[str, Drained]:
    """Every drain of a journal, ready for the arithmetic."""
    holding = statements(raws)
    profiles = {raw["id"]: raw["profile"] for raw in holding if raw["record"] == "collector"}
    walk = _Walk(profiles)
    for raw in holding:
        if raw["record"] == "drain":
            walk.add_drain(raw)
    done = [raw for raw in holding if raw["record"] in ("event", "reading")]
    done.sort(key=lambda raw: datetime.fromisoformat(raw["at"]))
    places = itertools.count()
    for _, same in itertools.groupby(done, key=lambda raw: datetime.fromisoformat(raw["at"])):
        charted = list(same)
        units = {drain: segment.collector for drain, segment in walk.open.items()}
        instant = sorted(charted, key=lambda raw: (_rank(raw, units, charted), raw["id"]))
        for raw in instant:
            walk.take(next(places), raw, instant)
    return walk.drains


def _rank(raw: Raw, units: dict[str, str], instant: list[Raw]) -> int:
    """`connected` of a drain that is connected already is a change and comes after the others; readings that name the
    new unit come last. `units` are in place when the instant begins."""
    kind = raw.get("kind", "reading")
    if kind == "connected" and raw["drain"] in units:
        return 9
    if kind == "reading" and "collector" in raw and _opens(raw, units, instant):
        return 10
    return _RANKS[kind]


def _opens(reading: Raw, units: dict[str, str], instant: list[Raw]) -> bool:
    """Whether a change of this instant puts on the unit that a reading names: the drain was on another before, or came
    off it in the same minute."""
    drain, named = reading["drain"], reading["collector"]
    old = on = units.get(drain)
    changes = [o for o in instant if o.get("kind") in ("disconnected", "replaced", "connected")]
    for other in sorted(changes, key=lambda o: (_rank(o, units, []), o["id"])):
        if drain != other.get("drain") and other.get("from_collector", "") != on:
            continue
        if other["kind"] == "connected" and old is None:
            continue  # it comes before the readings
        if other.get("collector") == named != on:
            return True
        on = other.get("collector")
    return False


def _act(kind: str, levels: Raw) -> tuple[str, int | None, int | None]:
    after = mark(levels, "level_after")
    return kind, mark(levels, "level_before"), 0 if kind == "emptied" and after is None else after


@dataclass
class _Off:
    """A unit that came off; `drawn` is what was given back from it since. `waits` for a last level that is charted
    afterwards: none is known, and it has not gone on again."""

    segment: Segment
    at: datetime
    place: int
    waits: bool
    drawn: list[dict[str, Any]] = field(default_factory=list)

    def ends_at(self, level: int) -> None:
        """The last level, charted afterwards; what was given back in the meantime went before it."""
        self.waits = False
        self.segment.drawn += [taken | {"place": self.place - 0.5} for taken in self.drawn]
        last = self.segment.anchors[-1]
        last["level"] = last["stated"] = min(level, self.segment.capacity)
        last["kind"] = "late"


class _Walk:
    """Goes through the records in order and keeps who feeds what."""

    def __init__(self, profiles: dict[str, str]) -> None:
        self.profiles = profiles
        self.drains: dict[str, Drained] = {}
        self.open: dict[str, Segment] = {}
        self.used: set[tuple[str, str]] = set()
        self.removed: set[str] = set()
        #: The units that came off each drain, the last at the end.
        self.off: dict[str, list[_Off]] = {}
        #: The tip or emptying with levels that counts last, and when levels were read, by drain.
        self.acts: dict[str, tuple[tuple[str, int | None, int | None], datetime]] = {}
        self.read: dict[str, list[datetime]] = {}

    def add_drain(self, raw: Raw) -> None:
        drain = self.drains[raw["id"]] = Drained()
        if "weight" in raw:
            drain.weights.append((-1, Decimal(raw["weight"]["value"])))

    def take(self, place: int, raw: Raw, instant: list[Raw]) -> None:
        kind = raw.get("kind", "reading")
        here: dict[str, Any] = {"place": place, "id": raw["id"], "at": datetime.fromisoformat(raw["at"])}
        for drain, levels in self._concerned(raw, kind):
            if kind not in ("tipped", "emptied") or self._counts(kind, raw, drain, instant):
                self._one(kind, raw, drain, levels, here, instant)

    def _counts(self, kind: str, raw: Raw, drain: str, instant: list[Raw]) -> bool:
        """Of one minute's tips (or emptyings) of a chamber, the one that states most of it counts."""
        ranks = {}
        for other in instant:
            if other.get("kind") == kind:
                for concerned, levels in self._concerned(other, kind):
                    if concerned == drain:
                        before, after = ("level_before" in levels, "level_after" in levels)
                        most = (not before, not after) if kind == "emptied" else (-before - after,)
                        taken = (mark(levels, "level_before") or 0) - (mark(levels, "level_after") or 0)
                        ranks[other["id"]] = (*most, other.get("drain") != drain, taken, other["id"])
        return min(ranks.values()) == ranks[raw["id"]]

    def _concerned(self, raw: Raw, kind: str) -> list[tuple[str, Raw]]:
        """The drains that a record speaks of, each with where its levels are stated."""
        if "drain" in raw:
            found = [(raw["drain"], raw)]
            if kind == "tipped" and raw["drain"] in self.open:
                unit = self.open[raw["drain"]].collector
                found += [(other, {}) for other in self._feeding(unit) if other != raw["drain"]]
            return found
        unit = raw["from_collector"] if kind == "replaced" else raw["collector"]
        found = [(drain, raw["levels"].get(self.open[drain].chamber, {})) for drain in self._feeding(unit)]
        if kind == "replaced":
            found += [
                (drain, raw["levels"].get(left, {})) for drain, left in self._moved(unit, raw["collector"])
            ]
        return found

    def _moved(self, old: str, new: str) -> list[tuple[str, str]]:
        """The drains that went from the one unit to the other: for them the change of a whole unit is charted again."""
        last = [(drain, off[-1].segment) for drain, off in self.off.items() if off]
        return [
            (drain, left.chamber)
            for drain, left in last
            if left.collector == old and drain in self.open and self.open[drain].collector == new
        ]

    def _feeding(self, unit: str) -> list[str]:
        feeding = [drain for drain, segment in self.open.items() if segment.collector == unit]
        return sorted(feeding, key=lambda drain: self.open[drain].chamber)

    def _one(
        self, kind: str, raw: Raw, drain: str, levels: Raw, here: dict[str, Any], instant: list[Raw]
    ) -> None:
        segment = self.open.get(drain)
        known = self.drains[drain]
        if kind == "reading":
            self._reading(raw, drain, segment, here, instant)
        elif kind in ("connected", "replaced"):
            self._change(kind, raw, drain, levels, here)
        elif kind == "irrigated":
            known.irrigations.append((here["place"], mark(raw, "volume") or 0))
        elif kind == "weighed":
            known.weights.append((here["place"], Decimal(raw["weight"]["value"])))
        elif kind in ("sampled", "reinfused"):
            self._given_back(kind, raw, drain, here)
            if segment is not None and (kind == "sampled" or raw["collector"] == segment.collector):
                segment.drawn.append(here | {"volume": mark(raw, "volume"), "back": kind == "reinfused"})
        elif segment is None:
            if kind in ("disconnected", "removed"):
                self._last_level(drain, mark(levels, "final_level"), here["at"])
            if kind == "removed":
                self.removed.add(drain)
        elif kind in ("tipped", "emptied"):
            if self._charted_again(kind, drain, levels, here):
                return
            before, after_ = self._contradicted(kind, raw, drain, levels, instant)
            segment.doubts += [here["place"] - 0.5] if before else []
            stated = mark(levels, "level_after")
            after = 0 if kind == "emptied" and stated is None else stated
            segment.anchor(here, "close", mark(levels, "level_before"))
            self._open(drain, segment.collector, segment.chamber, here, after)
            self.open[drain].doubts += [here["place"] + 0.5] if after_ else []
        elif kind in ("disconnected", "removed"):
            self._comes_off(drain, segment, mark(levels, "final_level"), here)
            del self.open[drain]
            if kind == "removed":
                self.removed.add(drain)

    def _comes_off(self, drain: str, old: Segment, final: int | None, here: dict[str, Any]) -> None:
        old.anchor(here, "close", final)
        self.acts.pop(drain, None)
        waits = old.anchors[-1]["level"] is None
        self.off.setdefault(drain, []).append(_Off(old, here["at"], here["place"], waits))

    def _given_back(self, kind: str, raw: Raw, drain: str, here: dict[str, Any]) -> None:
        for off in self.off.get(drain, ()):
            if kind == "reinfused" and off.waits and raw["collector"] == off.segment.collector:
                off.drawn.append(here | {"volume": mark(raw, "volume"), "back": True})

    def _last_level(self, drain: str, final: int | None, at: datetime) -> None:
        """A record that takes no unit off states the last level of the one that came off last: within 4 hours while
        none is in its place, else within 15 minutes."""
        off = self.off.get(drain, [])[-1:]
        within = timedelta(minutes=15) if drain in self.open else timedelta(hours=4)
        if final is None or not off or not off[0].waits or at - off[0].at > within:
            return
        if final <= off[0].segment.capacity * 105 // 100:
            off[0].ends_at(final)

    def _contradicted(
        self, kind: str, raw: Raw, drain: str, levels: Raw, instant: list[Raw]
    ) -> tuple[bool, bool]:
        """Whether another entry of this minute's act says otherwise of before or of after, beyond tolerance."""
        segment, mine = self.open[drain], _act(kind, levels)
        others = [o for o in instant if o.get("kind") == kind and o.get("drain") == drain and o is not raw]
        theirs = [_act(kind, other) for other in others] if mine[1] is not None else []
        before = any(segment.differ(mine[1], other[1]) for other in theirs)
        return before, any(segment.differ(mine[2], other[2]) for other in theirs)

    def _charted_again(self, kind: str, drain: str, levels: Raw, here: dict[str, Any]) -> bool:
        """Notes the act where it is another one; where it is not, whether it says the same."""
        act = _act(kind, levels)
        if act[1] is None:
            return False
        if not self._repeats(kind, drain, levels, here["at"]):
            self.acts[drain] = (act, here["at"])
            return False
        segment = self.open[drain]
        if act != self.acts[drain][0] or act[1] >= segment.capacity:
            segment.doubts.append(here["place"])
        return True

    def _repeats(self, kind: str, drain: str, levels: Raw, at: datetime) -> bool:
        """The same levels within tolerance, within 15 minutes, with no level read in between, are the same act; one
        that leaves out what was left is, too, of one that says it."""
        if drain not in self.acts:
            return False
        known, since = self.acts[drain]
        act, segment = _act(kind, levels), self.open[drain]
        read = any(since < each < at for each in self.read.get(drain, ()))
        if act[0] != known[0] or act[1] is None or read or not since < at <= since + timedelta(minutes=15):
            return False
        says_more = act[2] is not None and known[2] is None
        return not (segment.differ(act[1], known[1]) or segment.differ(act[2], known[2]) or says_more)

    def _read_again(self, drain: str, segment: Segment, level: int, at: datetime, instant: list[Raw]) -> bool:
        """Whether it is the level before an act charted again in its minute, within tolerance: no anchor, and none in
        between. Another act of that minute that counts ends the search: what is charted again comes before it or not
        at all."""
        for raw in instant:
            kind = raw.get("kind", "reading")
            for concerned, levels in self._concerned(raw, kind) if kind in ("tipped", "emptied") else ():
                if concerned != drain or not self._counts(kind, raw, drain, instant):
                    continue
                if not self._repeats(kind, drain, levels, at):
                    return False
                before = mark(levels, "level_before") or 0
                if abs(level - before) <= segment.tolerance(max(level, before)):
                    return True
        return False

    def _reading(
        self, raw: Raw, drain: str, segment: Segment | None, here: dict[str, Any], instant: list[Raw]
    ) -> None:
        volume = mark(raw, "volume")
        if volume is not None:
            began = datetime.fromisoformat(raw["from"]) if "from" in raw else None
            self.drains[drain].amounts.append(here | {"volume": volume, "began": began})
        level = mark(raw, "level")
        if raw.get("collector") not in (None, segment.collector if segment else None):
            self._of_a_unit_off(raw, drain, here["at"], instant)
        elif level is not None and segment is not None and level <= segment.capacity * 105 // 100:
            again = self._read_again(drain, segment, level, here["at"], instant)
            if again:
                return
            segment.anchor(here, "read", level)
            self.read.setdefault(drain, []).append(here["at"])

    def _of_a_unit_off(self, raw: Raw, drain: str, at: datetime, instant: list[Raw]) -> None:
        """Units are read after they come off, within 4 hours; of two readings of one minute the lower counts."""
        off = next(
            (o for o in reversed(self.off.get(drain, [])) if o.segment.collector == raw["collector"]), None
        )
        if off is None or not off.waits or at - off.at > timedelta(hours=4):
            return
        same = ("reading", drain, raw["collector"])
        beside = [o for o in instant if (o["record"], o.get("drain"), o.get("collector")) == same]
        levels = [mark(o, "level") for o in beside]
        possible = [one for one in levels if one is not None and one <= off.segment.capacity * 105 // 100]
        if possible:
            off.ends_at(min(possible))

    def _change(self, kind: str, raw: Raw, drain: str, levels: Raw, here: dict[str, Any]) -> None:
        old, final = self.open.get(drain), mark(levels, "final_level") if kind == "replaced" else None
        if drain in self.removed:
            self._last_level(drain, final, here["at"])  # and nothing is put on any more
            return
        unit, chamber = raw["collector"], raw.get("chamber") or (old.chamber if old else "A")
        holders = [d for d, other in self.open.items() if (other.collector, other.chamber) == (unit, chamber)]
        if holders:  # already in place, or occupied
            if holders == [drain]:
                self._last_level(drain, final, here["at"])
            return
        if chamber not in CHAMBER_NAMES[self.profiles[unit]]:
            return
        start = mark(levels, "start_level")
        # "default 0" is said of a new unit; what an earlier one holds when it comes back, nobody can know.
        if start is None and (old is not None or kind == "replaced") and (unit, chamber) not in self.used:
            start = 0
        if old is not None:
            self._comes_off(drain, old, final, here)
        else:
            self._last_level(drain, final, here["at"])
        for off in self.off.get(drain, ()):
            off.waits = off.waits and off.segment.collector != unit
        self._open(drain, unit, chamber, here, start)

    def _open(self, drain: str, unit: str, chamber: str, here: dict[str, Any], level: int | None) -> None:
        segment = Segment(drain, unit, chamber, self.profiles[unit])
        segment.anchor(here, "open", level)
        self.used.add((unit, chamber))
        self.open[drain] = segment
        known = self.drains[drain]
        known.segments.append(segment)
        known.since = known.since or here["at"]
