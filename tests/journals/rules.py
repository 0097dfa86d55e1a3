"""Rules for the arithmetic's tests: profiles in code, so that editing mappings/ never moves these tests' answers.

`adult-single` is the profile of DESIGN 4's worked cases; the others give the generators other graduations.
"""

from __future__ import annotations

from datetime import time, timedelta
from decimal import Decimal

from drainledger.domain.collectors import Chamber, CounterRules, Graduation, Profile, Rules, WindowSpec


def _bands(*bands: tuple[int, str]) -> tuple[Graduation, ...]:
    return tuple(Graduation(Decimal(up_to), Decimal(step)) for up_to, step in bands)


_FINE_THEN_COARSE = _bands((500, "2"), (2000, "10"))

PROFILES = (
    Profile(
        id="adult-single",
        display="Single chamber",
        reads="level",
        chambers=(Chamber("A", Decimal(2000), _FINE_THEN_COARSE),),
    ),
    Profile(
        id="adult-dual",
        display="Two chambers",
        reads="level",
        chambers=(
            Chamber("A", Decimal(1000), _bands((200, "2"), (1000, "10"))),
            Chamber("B", Decimal(1000), _bands((200, "2"), (1000, "10"))),
        ),
    ),
    Profile(
        id="infant",
        display="Small chamber",
        reads="level",
        chambers=(Chamber("A", Decimal(200), _bands((50, "0.5"), (200, "1"))),),
        tolerance=Decimal(3),
    ),
    Profile(
        id="counting",
        display="Unit with a counter that may restart",
        reads="counter",
        chambers=(Chamber("A", None, _bands((100000, "1"))),),
        counter=CounterRules(reset_allowed=True),
    ),
    Profile(
        id="measuring",
        display="Unit that reports amounts",
        reads="volume",
        chambers=(Chamber("A", None, _bands((100000, "1"))),),
    ),
)

RULES = Rules(
    version="tests",
    profiles={profile.id: profile for profile in PROFILES},
    windows=(
        WindowSpec("ward-day", time(7), time(7)),
        WindowSpec("day", time(7), time(19)),
        WindowSpec("night", time(19), time(7)),
    ),
    grace=timedelta(minutes=30),
    attention={},
)
