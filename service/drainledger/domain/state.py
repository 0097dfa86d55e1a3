"""What the fold carries from node to node. Frozen: states compare, to tell where a refold may stop."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from msgspec import Struct

from drainledger.domain.entries import Connection, Ground, LevelRef
from drainledger.domain.records import Key, SuctionMode
from drainledger.domain.topology import Judged

ZERO = Decimal(0)


class Baseline(Struct, frozen=True, kw_only=True):
    """The level from which the next output is reckoned, in mL.

    `at` is the instant of that level, which may lie before the last anchor; `resolution` is the graduation squared
    (mL^2), 0 for a stated start of 0. `after_reset` tells that the counter was found reset at this level.
    """

    level: Decimal
    resolution: Decimal
    ref: LevelRef | None
    at: datetime
    stamp: datetime
    preliminary: bool = False
    after_reset: bool = False


class Drawn(Struct, frozen=True):
    """What was taken since the last anchor other than by a tip: samples and blood given back, in mL; `given_back` is
    the part that came out of the chamber."""

    volume: Decimal = ZERO
    given_back: Decimal = ZERO
    not_stated: bool = False
    grounds: tuple[Ground, ...] = ()
    stamp: datetime | None = None


NOTHING_DRAWN = Drawn()


class Closed(Struct, frozen=True):
    """The connection that ended last, at `at`, and its last level (mL, None if unknown) with where that is stated, and
    of when."""

    connection: Connection
    judged: Judged
    at: datetime
    level: Decimal | None
    ref: LevelRef | None = None
    level_at: datetime | None = None


class Emptying(NamedTuple):
    """A tip or an emptying that counts and says how much there was: before and after (mL), when, and when a level was
    first read since."""

    kind: str
    before: Decimal
    after: Decimal | None
    at: datetime
    read_at: datetime | None = None


class Act(NamedTuple):
    """Something drawn or put in, to tell whether it is charted twice; volume in mL."""

    kind: str
    at: datetime
    volume: Decimal | None
    ground: Ground


class Flow(Struct, frozen=True, kw_only=True):
    """The connection in place and where its arithmetic stands. `anchored_at` is where the next interval starts;
    `read_at` is the same instant where a reading stands there, None where a start or an event's level does, which no
    misreading can concern.

    `finals` are readings still to come that were taken for the last level of a connection that ended. `acts` are what
    was drawn and put in within the last quarter of an hour. `last_amount` is the interval of the last charted amount,
    None where that gave none. `larger` is the other answer of misreadings set aside since
    the last anchor (mL), None where there are none. `doubted` tells that an act was set aside which states other levels
    than the one that counts: the next interval is at-least. `irrigant` has gone in, by `irrigated`, and not yet been
    charged to an interval.
    """

    connection: Connection | None = None
    judged: Judged | None = None
    anchored_at: datetime | None = None
    read_at: datetime | None = None
    closed: Closed | None = None
    baseline: Baseline | None = None
    drawn: Drawn = NOTHING_DRAWN
    larger: Decimal | None = None
    doubted: bool = False
    irrigant: Decimal = ZERO
    irrigated: tuple[Ground, ...] = ()
    nearly_full: bool = False
    acts: tuple[Act, ...] = ()
    emptying: Emptying | None = None
    finals: tuple[tuple[Key, Connection], ...] = ()
    removed: bool = False
    last_amount_at: datetime | None = None
    last_amount: Ground | None = None


class Chain(Struct, frozen=True):
    """An unbroken chain of baselines: its total's variance is that of its first and last level alone (squares of
    graduations, mL^2; JCGM 100:2008, 5.2.2: correlated terms cancel)."""

    first: Decimal
    last: Decimal | None = None

    @property
    def squares(self) -> Decimal:
        return self.first + self.last if self.last is not None else ZERO


class Sums(Struct, frozen=True, kw_only=True):
    """The drain's running sums. `squares` are those of closed chains; `measured` tells that every output came from
    levels, without which a total has no deviation."""

    since: datetime | None = None
    output: Decimal = ZERO
    irrigant: Decimal = ZERO
    lower_bound: bool = False
    preliminary: bool = False
    measured: bool = True
    squares: Decimal = ZERO
    chain: Chain | None = None


class Clamp(Struct, frozen=True):
    """The latest clamping of the tube; `until` is None while it holds."""

    since: datetime
    until: datetime | None = None
    told: bool = False


class Leak(NamedTuple):
    """A reading in which air was seen, and what of it showed the air."""

    at: datetime
    grounds: tuple[Ground, ...]


class Bedside(Struct, frozen=True, kw_only=True):
    """What is known at the bedside besides the level. Pressures in cm[H2O]; `mode` is what a reading or a prescription
    said last, `setting` what a reading said that the suction is set to, 0 on gravity; `lowered` tells that the setting
    was made less negative and nothing has shown or vented the excess since. What is known by whom stands beside it: the
    first that said so, where others said the same after."""

    weight: Decimal | None = None
    weighed_by: Key | None = None
    clamp: Clamp | None = None
    mode: SuctionMode | None = None
    prescribed: Decimal | None = None
    prescribed_by: Ground | None = None
    setting: Decimal | None = None
    set_by: Ground | None = None
    lowered: bool = False
    last_leak: Leak | None = None
    leak_since: Leak | None = None
    leak_told: bool = False
    read_at: datetime | None = None
    appearance: tuple[str, ...] = ()
    appearance_by: Key | None = None


class State(Struct, frozen=True):
    """All of it. `bedside` of a drain without records knows only the drain's own weight."""

    flow: Flow
    sums: Sums
    bedside: Bedside
