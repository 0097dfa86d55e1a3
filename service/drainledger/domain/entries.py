"""What the arithmetic makes of the journal: the ledger's entries (DESIGN 2 'ledger', 6 'the ledger as JSON').

An entry belongs to the record that states or ends it (`owner`), so that a late record changes its neighbours'
entries instead of shifting everyone's identity. Entries compare by content: what is equal has not changed.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from drainledger.domain.collectors import Profile
from drainledger.domain.records import Collector, Drain, Event, Key, Reading, Reads

Bound = Literal["exact", "at-least", "estimated", "unknown"]

#: What a record may state, or what is worked out at it, that a finding or a value can rest on. "suction" is whatever
#: the record says of it first; "reading" is all that a reading says.
What = Literal[
    "level",
    "output",
    "sampled",
    "irrigated",
    "reinfused",
    "suction",
    "suction-set",
    "suction-applied",
    "suction-prescribed",
    "pressure",
    "pattern",
    "grade",
    "flow",
    "appearance",
    "reading",
]


class Ground(Struct, frozen=True):
    """One thing that a finding or a value rests on: what, of which record; `part` as in LevelMark and Interval."""

    owner: Key
    what: What
    part: str = ""


class Finding(Struct, frozen=True, kw_only=True):
    """Something the arithmetic or a rule noticed. A note stays in the ledger; an issue becomes a DetectedIssue.

    `records` is the evidence, the owner first; `grounds` says what of them. The text has its numbers with their units
    and never patient data.
    """

    code: str
    issue: bool
    at: datetime
    owner: Key
    records: tuple[Key, ...]
    text: str
    grounds: tuple[Ground, ...] = ()


class Connection(Struct, frozen=True, kw_only=True):
    """A drain feeding a chamber over [start, end). `end` is None while it is in place, and always None where a node
    speaks of its connection, since a later change must not touch earlier entries."""

    drain: str
    collector: str
    chamber: str
    reads: Reads
    start: datetime
    opened_by: Key
    end: datetime | None = None
    closed_by: Key | None = None


class LevelMark(Struct, frozen=True, kw_only=True):
    """A level that a reading or an event states, in mL. `part` tells an event's levels apart: "" for a reading's,
    else "start", "final", "before" or "after", behind "<chamber>." where the event names a collector.
    `used` is False for one set aside; it keeps its Observation, with `why` as its note."""

    owner: Key
    part: str
    at: datetime
    collector: str
    chamber: str
    value: Decimal
    used: bool
    why: str | None = None
    counter: bool = False


class LevelRef(Struct, frozen=True):
    """Names a LevelMark."""

    owner: Key
    part: str


class Interval(Struct, frozen=True, kw_only=True):
    """The output of one chamber between two anchors, in mL; `output` is None where it can't be known.

    `rate` in mL/h, `rate_per_weight` in mL/kg/h, both rounded, None under 30 minutes. `deviation` in mL, rounded to
    0.001. `part` is "" or "<chamber>." as in LevelMark. `records` are all that it rests on, the owner first.
    `levels` are the two level marks (start, end) where it comes from levels. `larger` is the other answer of a
    suspected misreading, in mL: rules about output use the larger. `weighed_by` is the record (a drain's or an event)
    that gave the weight of `rate_per_weight`. `drawn` is what was sampled or given back in between, `irrigated` what
    makes up `irrigant`.
    """

    owner: Key
    part: str
    collector: str | None
    chamber: str | None
    start: datetime | None
    end: datetime
    output: Decimal | None
    bound: Bound
    deviation: Decimal | None
    irrigant: Decimal
    rate: Decimal | None
    rate_per_weight: Decimal | None
    records: tuple[Key, ...]
    levels: tuple[LevelRef, ...]
    findings: tuple[str, ...]
    stamp: datetime
    preliminary: bool = False
    larger: Decimal | None = None
    weighed_by: Key | None = None
    drawn: tuple[Ground, ...] = ()
    irrigated: tuple[Ground, ...] = ()


class Total(Struct, frozen=True, kw_only=True):
    """The drain's output from its first connection or amount (`since`) to an anchor, in mL. Owned like the interval
    that ends at it."""

    owner: Key
    part: str
    since: datetime
    at: datetime
    total: Decimal
    bound: Bound
    deviation: Decimal | None
    net: Decimal
    stamp: datetime
    preliminary: bool = False


class NodeEntry(Struct, frozen=True, kw_only=True):
    """All that one record contributes to one drain's ledger.

    `record` is the statement in force (after corrections); `corrected` tells that it isn't the first. `status`:
    "used", "set-aside" (shown, not used) or "waiting" (for a drain, a collector or a connection).
    `dropped` names fields of the record that can't be used, such as "air_leak.grade" of a grade off its scale.
    `leak_free_hours` is the time since the last air leak, in h, rounded to 0.1, and `last_leak` what showed that leak.
    `connection` is the one that the record speaks of.
    """

    key: Key
    drain: str
    at: datetime
    record: Event | Reading
    status: Literal["used", "set-aside", "waiting"]
    corrected: bool
    stamp: datetime
    connection: Connection | None = None
    levels: tuple[LevelMark, ...] = ()
    interval: Interval | None = None
    total: Total | None = None
    findings: tuple[Finding, ...] = ()
    leak_free_hours: Decimal | None = None
    last_leak: tuple[Ground, ...] = ()
    dropped: tuple[str, ...] = ()


class Window(Struct, frozen=True, kw_only=True):
    """A charted window: the intervals that end in (start, end], as on paper. mL, minutes; `coverage` 0..1 by 0.001.

    `intervals` names the intervals by (owner, part), `irrigated` what the net leaves out. `day` is the local date on
    which the window starts. `status` is final once the window is closed and every value in it was charted or verified.
    """

    drain: str
    name: str
    day: str
    start: datetime
    end: datetime
    covers: tuple[datetime, datetime]
    total: Decimal
    net: Decimal
    bound: Bound
    coverage: Decimal
    clamped_minutes: Decimal
    status: Literal["preliminary", "final"]
    intervals: tuple[LevelRef, ...]
    stamp: datetime
    irrigated: tuple[Ground, ...] = ()


class RollingWindow(Struct, frozen=True, kw_only=True):
    """Output over (start, end], each interval shared by time; mL rounded to 0.1. A view, never a resource."""

    start: datetime
    end: datetime
    total: Decimal
    net: Decimal
    bound: Bound
    coverage: Decimal


class CollectorUse(Struct, frozen=True, kw_only=True):
    """A collector as the ledger knows it, with the profile by which it is judged."""

    collector: Collector
    profile: Profile


class DrainLedger(Struct, frozen=True, kw_only=True):
    """One drain's ledger, whole. `nodes` are in the order of DESIGN 4; `drain_stamp` is the latest instant among the
    records that make up the drain's own statement (None where none states a time)."""

    drain: Drain
    corrected: bool
    connections: tuple[Connection, ...]
    nodes: tuple[NodeEntry, ...]
    windows: tuple[Window, ...]
    findings: tuple[Finding, ...]
    held: int
    waiting: int
    as_of: datetime | None
