"""The worked cases of DESIGN 4, as data. Profile `adult-single`, connected 06:00 with a start level of 0 unless said.

Outputs are written as the table writes them: "40", "?" for an unknown one, ">=20" for a lower bound.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.journals.raw import (
    Raw,
    collector,
    connected,
    correction,
    drain,
    event,
    level,
    millilitres,
    replaced,
    retraction,
    volume,
)


@dataclass(frozen=True)
class Rolling:
    """A rolling window (start, end] and what it must say."""

    start: str
    end: str
    total: str
    bound: str
    net: str


@dataclass(frozen=True)
class Step:
    """What is sent, and what the ledger must then say. The sets name records by id, compared with what the fold
    reports as changed since the step before; None where the table says nothing of it."""

    sent: tuple[Raw, ...]
    outputs: tuple[str, ...]
    total: str
    net: str | None = None
    intervals_changed: frozenset[str] | None = None
    totals_changed: frozenset[str] | None = None
    set_aside: frozenset[str] = frozenset()
    findings: frozenset[str] = frozenset()
    total_at: dict[str, str] = field(default_factory=dict)
    output_deviation: str | None = None
    total_deviation: str | None = None
    rolling: tuple[Rolling, ...] = ()
    windows: dict[tuple[str, str], str] = field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    number: int
    says: str
    steps: tuple[Step, ...]


def _outputs(text: str) -> tuple[str, ...]:
    return tuple(text.split(", "))


SETUP = (drain(), collector("col-1"), collector("col-2"), connected("06:00"))
AMOUNTS_ONLY = (drain(reads="volume"),)
CHANGE = replaced("07:30", "col-2", final=340)
EARLIER = (level("07:00", 40), level("09:00", 120))
AT_EIGHT = level("08:00", 90)
FALL = (level("07:00", 300), level("08:00", 120), level("09:00", 150))
SLIP = level("08:00", 30)

TELESCOPED = Step(
    sent=(AT_EIGHT,),
    outputs=_outputs("40, 50, 30"),
    total="120",
    intervals_changed=frozenset({"r-0800", "r-0900"}),
    totals_changed=frozenset({"r-0800"}),
    total_at={"r-0700": "40", "r-0800": "90", "r-0900": "120"},
)
BEFORE_IT = Step(sent=(*SETUP, *EARLIER), outputs=_outputs("40, 80"), total="120")

CASES = (
    Case(
        1,
        "levels that only rise",
        (
            Step(
                (*SETUP, level("07:00", 40), level("08:00", 90), level("09:00", 90)),
                _outputs("40, 50, 0"),
                "90",
            ),
        ),
    ),
    Case(
        2,
        "reading noise never adds up",
        (
            Step(
                (*SETUP, level("07:00", 100), level("08:00", 99), level("09:00", 101)),
                _outputs("100, 0, 1"),
                "101",
                findings=frozenset({"within-reading-tolerance"}),
            ),
        ),
    ),
    Case(
        3,
        "a fall that nothing explains",
        (Step((*SETUP, *FALL), _outputs("300, ?, 30"), ">=330", findings=frozenset({"unexplained-fall"})),),
    ),
    Case(
        4,
        "the fall is explained late",
        (
            Step((*SETUP, *FALL), _outputs("300, ?, 30"), ">=330", findings=frozenset({"unexplained-fall"})),
            Step((CHANGE,), _outputs("300, 40, 120, 30"), "490"),
        ),
    ),
    Case(
        5,
        "changed without a final level",
        (
            Step(
                (*SETUP, level("07:00", 1960), replaced("07:20", "col-2"), level("08:00", 60)),
                _outputs("1960, ?, 60"),
                ">=2020",
            ),
        ),
    ),
    Case(
        6,
        "tipped, both levels noted",
        (
            Step(
                (
                    *SETUP,
                    level("07:00", 400),
                    event("tipped", "07:40", level_before=420, level_after=380),
                    level("08:00", 390),
                ),
                _outputs("400, 20, 10"),
                "430",
            ),
        ),
    ),
    Case(
        7,
        "tipped, nothing noted",
        (
            Step(
                (
                    *SETUP,
                    level("07:00", 400),
                    event("tipped", "07:40"),
                    level("08:00", 390),
                    level("09:00", 400),
                ),
                _outputs("400, ?, ?, 10"),
                ">=410",
            ),
        ),
    ),
    Case(8, "a late level between two others", (BEFORE_IT, TELESCOPED)),
    Case(
        9,
        "the late level is corrected",
        (
            BEFORE_IT,
            TELESCOPED,
            Step(
                (correction(AT_EIGHT, "09:30", level=millilitres(70)),),
                _outputs("40, 30, 50"),
                "120",
                intervals_changed=frozenset({"r-0800", "r-0900"}),
                totals_changed=frozenset({"r-0800"}),
                total_at={"r-0800": "70", "r-0900": "120"},
            ),
        ),
    ),
    Case(
        10,
        "the late level is retracted",
        (
            BEFORE_IT,
            TELESCOPED,
            Step(
                (retraction("r-0800", "09:30"),),
                _outputs("40, 80"),
                "120",
                intervals_changed=frozenset({"r-0800", "r-0900"}),
                totals_changed=frozenset({"r-0800"}),
            ),
        ),
    ),
    Case(
        11,
        "a sample drawn",
        (
            Step(
                (*SETUP, level("07:00", 100), event("sampled", "07:30", volume=10), level("08:00", 120)),
                _outputs("100, 30"),
                "130",
            ),
        ),
    ),
    Case(
        12,
        "irrigated",
        (
            Step(
                (*SETUP, level("07:00", 100), event("irrigated", "07:15", volume=50), level("08:00", 160)),
                _outputs("100, 60"),
                "160",
                net="110",
            ),
        ),
    ),
    Case(
        13,
        "a chamber full, and read over its capacity",
        (
            Step(
                (*SETUP, level("07:00", 1980), level("08:00", 2000), level("09:00", 2010)),
                _outputs("1980, >=20, >=0"),
                ">=2000",
                findings=frozenset({"chamber-full"}),
            ),
        ),
    ),
    Case(
        14,
        "deviations",
        (
            Step(
                (*SETUP, level("07:00", 600), level("08:00", 700)),
                _outputs("600, 100"),
                "700",
                output_deviation="4.082",
                total_deviation="2.887",
            ),
        ),
    ),
    Case(
        15,
        "amounts, one of them late",
        (
            Step((*AMOUNTS_ONLY, volume("07:00", 35), volume("09:00", 20)), _outputs("35, 20"), "55"),
            Step(
                (volume("08:00", 15),),
                _outputs("35, 15, 20"),
                "70",
                totals_changed=frozenset({"r-0800", "r-0900"}),
            ),
        ),
    ),
    Case(
        16,
        "a rolling window that splits an interval",
        (
            Step(
                (*SETUP, level("10:00", 100), level("12:00", 140)),
                _outputs("100, 40"),
                "140",
                rolling=(Rolling("11:00", "12:00", "20", "estimated", net="20"),),
            ),
        ),
    ),
    Case(
        17,
        "one low reading alone, then retracted",
        (
            Step(
                (*SETUP, level("07:00", 300), SLIP, level("09:00", 320)),
                _outputs("300, >=20"),
                ">=320",
                set_aside=frozenset({"r-0800"}),
                findings=frozenset({"suspected-misread"}),
            ),
            Step((retraction("r-0800", "09:30"),), _outputs("300, 20"), "320"),
        ),
    ),
    Case(
        18,
        "one high reading alone",
        (
            Step(
                (*SETUP, level("07:00", 25), level("08:00", 300), level("09:00", 40), level("10:00", 45)),
                _outputs("25, >=15, 5"),
                ">=45",
                set_aside=frozenset({"r-0800"}),
                findings=frozenset({"suspected-misread"}),
            ),
        ),
    ),
    Case(
        19,
        "too far apart to tell a misreading from a change",
        (
            Step(
                (*SETUP, level("07:00", 300), level("19:00", 120), level("1+07:00", 310)),
                _outputs("300, ?, 190"),
                ">=490",
                findings=frozenset({"unexplained-fall"}),
            ),
        ),
    ),
    Case(
        20,
        "both nurses chart the change",
        (
            Step(
                (
                    *SETUP,
                    level("06:50", 1400),
                    replaced("07:00", "col-2", final=1450, id="change-1"),
                    replaced("07:05", "col-2", final=1450, id="change-2"),
                    level("08:00", 60),
                ),
                _outputs("1400, 50, 60"),
                "1510",
                set_aside=frozenset({"change-2"}),
                findings=frozenset({"already-in-place"}),
            ),
        ),
    ),
    Case(
        21,
        "connected with no start level",
        (
            Step(
                (*SETUP[:3], connected("14:00", start=None), level("15:00", 380), level("16:00", 400)),
                _outputs("?, 20"),
                ">=20",
            ),
        ),
    ),
    Case(
        22,
        "blood given back from the chamber",
        (
            Step(
                (
                    *SETUP,
                    level("07:00", 400),
                    event("reinfused", "07:30", volume=300, collector="col-1"),
                    level("08:00", 180),
                ),
                _outputs("400, 80"),
                "480",
            ),
        ),
    ),
    Case(
        23,
        "falls within tolerance keep the higher baseline",
        (
            Step(
                (*SETUP, level("07:00", 240), level("08:00", 250), level("09:00", 246), level("10:00", 247)),
                _outputs("240, 10, 0, 0"),
                "250",
                findings=frozenset({"within-reading-tolerance"}),
            ),
        ),
    ),
    Case(
        24,
        "irrigated and clamped in the minute of a reading",
        (
            Step(
                (
                    *SETUP,
                    level("10:00", 105),
                    event("irrigated", "10:00", volume=50),
                    event("clamped", "10:00"),
                    event("unclamped", "11:00"),
                    level("12:00", 165),
                ),
                _outputs("105, 60"),
                "165",
                rolling=(Rolling("10:00", "12:00", "60", "exact", net="10"),),
            ),
        ),
    ),
    Case(
        25,
        "handover readings are never on the minute",
        (
            Step(
                (*SETUP, level("07:10", 50), level("19:10", 650), level("1+07:05", 700)),
                _outputs("50, 600, 50"),
                "700",
                windows={
                    ("night", "2026-03-01"): "50",
                    ("day", "2026-03-02"): "600",
                    ("night", "2026-03-02"): "50",
                },
            ),
        ),
    ),
)
