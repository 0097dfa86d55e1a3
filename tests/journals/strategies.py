"""Hypothesis strategies for whole journals: few records, close together, with all that can go wrong between them.

`raw_journals()` yields raw records (dicts) as a source sends them, `journals()` the same as records of the domain.
No two records share an id with different content: that alone is decided by arrival (DESIGN 3 'Ids').
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from drainledger.domain.records import Record
from tests.journals.books import records_of
from tests.journals.raw import Raw, millilitres, water

_DRAINS = ("d1", "d2", "d3")
_UNITS = {"u1": "adult-single", "u2": "adult-single", "u3": "adult-dual", "u4": "infant", "u5": "counting"}
_REFERENCES = (*_DRAINS, "d1", "d1", "d2", "nobody")
_COLLECTORS = (*_UNITS, "u1", "u2", "u3", "nothing")
#: Starts before the clocks of Lisbon and New York change, and on an ordinary day.
_STARTS = tuple(
    datetime(2026, month, day, hour, tzinfo=UTC)
    for month, day, hour in ((3, 2, 5), (3, 28, 21), (3, 8, 4), (10, 24, 22), (11, 1, 3))
)
#: Around graduations, tolerances and capacities of the profiles, and off them.
_LEVELS = (
    *("0", "1", "2", "30", "40", "96", "98", "99", "100", "101", "104", "120", "196", "199", "200", "205"),
    *(
        "211",
        "300",
        "320",
        "499.5",
        "500",
        "502",
        "505",
        "990",
        "999.9",
        "1000",
        "1050",
        "1051",
        "1980",
        "2000",
    ),
    *("2010", "2100", "2101", "-1"),
)
_VOLUMES = ("0.1", "5", "10", "50", "250")

_references = st.sampled_from(_REFERENCES)
_collectors = st.sampled_from(_COLLECTORS)
_chambers = st.sampled_from(("A", "A", "A", "B", "Z"))
_levels = st.sampled_from(_LEVELS).map(millilitres)
_stated = st.sampled_from([level for level in _LEVELS if level != "-1"]).map(millilitres)
_volumes = st.sampled_from(_VOLUMES).map(millilitres)
_pressures = st.sampled_from(("-40", "-20", "-15", "-10", "0")).map(water)
_minutes = st.one_of(
    st.sampled_from((0, 60, 60, 120, 180, 240, 300)),
    st.integers(0, 20 * 60),
    st.sampled_from((1440, 1500, 2880, 3000)),
)


def _fields(required: dict[str, SearchStrategy[Any]], **optional: SearchStrategy[Any]) -> SearchStrategy[Raw]:
    return st.fixed_dictionaries(required, optional=optional)


def _event(
    kind: str, required: dict[str, SearchStrategy[Any]], **optional: SearchStrategy[Any]
) -> SearchStrategy[Raw]:
    return _fields({"record": st.just("event"), "kind": st.just(kind), **required}, **optional)


_of_drain = {"drain": _references}
_chamber_levels = st.dictionaries(
    st.sampled_from("AB"), _fields({}, final_level=_stated, start_level=_stated), max_size=2
)
_tipped_levels = st.dictionaries(
    st.sampled_from("AB"), _fields({}, level_before=_stated, level_after=_stated), max_size=2
)

_events = st.one_of(
    _event("connected", _of_drain | {"collector": _collectors}, chamber=_chambers, start_level=_stated),
    _event(
        "replaced",
        _of_drain | {"collector": _collectors},
        chamber=_chambers,
        final_level=_stated,
        start_level=_stated,
    ),
    _event("replaced", {"collector": _collectors, "from_collector": _collectors}, levels=_chamber_levels),
    _event("disconnected", _of_drain, final_level=_stated),
    _event("removed", _of_drain, final_level=_stated),
    _event("tipped", _of_drain, level_before=_stated, level_after=_stated),
    _event("tipped", {"collector": _collectors}, levels=_tipped_levels),
    _event("emptied", _of_drain, level_before=_stated),
    _event("sampled", _of_drain | {"volume": _volumes}),
    _event("reinfused", _of_drain, volume=_volumes, collector=_collectors),
    _event("irrigated", _of_drain | {"volume": _volumes}),
    _event("clamped", _of_drain),
    _event("unclamped", _of_drain),
    _event("milked", _of_drain),
    _event("vented", _of_drain),
    _event("suction-prescribed", _of_drain | {"mode": st.just("suction"), "pressure": _pressures}),
    _event(
        "weighed",
        _of_drain | {"weight": st.sampled_from(({"value": 70, "unit": "kg"}, {"value": 900, "unit": "kg"}))},
    ),
)

_suction = _fields(
    {"mode": st.sampled_from(("suction", "suction", "gravity"))},
    indicator=st.sampled_from(("reached", "not-reached")),
)
_air = _fields({"pattern": st.sampled_from(("none", "intermittent"))}, grade=st.integers(0, 9))
_beside: dict[str, SearchStrategy[Any]] = {
    "collector": _collectors,
    "suction": _suction,
    "pressure": _pressures,
    "air_leak": _air,
    "observer": st.just({"kind": "device", "value": "PW-1"}),
}
_reading = {"record": st.just("reading"), "drain": _references}
_plain_levels = _fields(_reading | {"level": _levels})
_readings = st.one_of(
    _plain_levels,
    _plain_levels,
    _fields(_reading | {"level": _levels}, volume=_volumes, **_beside),
    _fields(_reading | {"volume": _volumes}, **_beside),
    _fields(_reading | {"counter": _stated}, **_beside),
    _fields(_reading | {"level_not_read": st.just("foam")}, **_beside),
)


def _drain(id: str) -> SearchStrategy[Raw]:
    patient = {"system": "https://ward.example/mrn", "value": f"P-{id}"}
    joins = {"joins": st.just(["d1", "d2"])} if id == "d3" else {}
    return _fields(
        {
            "record": st.just("drain"),
            "id": st.just(id),
            "patient": st.just(patient),
            "time_zone": st.sampled_from(("Europe/Lisbon", "America/New_York")),
        },
        weight=st.just({"value": 72, "unit": "kg"}),
        reads=st.sampled_from(("volume", "level")),
        **joins,
    )


@st.composite
def _placed(draw: DrawFn, start: datetime, number: int) -> Raw:
    """One reading or event at some minute; the period of an amount may begin anywhere before it."""
    raw: Raw = draw(st.one_of(_readings, _readings, _events))
    when = start + timedelta(minutes=draw(_minutes))
    raw |= {"id": f"n{number}", "at": when.isoformat()}
    if "volume" in raw and raw["record"] == "reading" and draw(st.booleans()):
        raw["from"] = (when - timedelta(minutes=draw(st.integers(1, 300)))).isoformat()
    return raw


@st.composite
def _second_thought(draw: DrawFn, start: datetime, said: list[Raw], number: int) -> Raw:
    """A correction or retraction of something that was said, rarely of something else."""
    made = (start + timedelta(minutes=draw(st.integers(0, 600)))).isoformat()
    target = draw(st.sampled_from(said))
    if draw(st.booleans()):
        of = draw(st.sampled_from((target["id"], target["id"], target["id"], "n-404")))
        return {"record": "retraction", "id": f"x{number}", "retracts": of, "made_at": made}
    kind = target["record"]
    other = draw(st.sampled_from([raw for raw in said if raw["record"] == kind]))
    whole = {name: value for name, value in other.items() if name not in ("record", "id", "joins")}
    if "at" in whole and draw(st.booleans()):
        whole["at"] = (start + timedelta(minutes=draw(_minutes))).isoformat()
        whole.pop("from", None)
    return {
        "record": "correction",
        "id": f"c{number}",
        "corrects": target["id"],
        "made_at": made,
        kind: whole,
    }


@st.composite
def raw_journals(draw: DrawFn, most: int = 24) -> list[Raw]:
    """A journal of up to `most` readings and events on up to three drains, in no particular order."""
    start = draw(st.sampled_from(_STARTS))
    drains = [draw(_drain(id)) for id in _DRAINS[: draw(st.integers(1, 3))]]
    units = [{"record": "collector", "id": unit, "profile": profile} for unit, profile in _UNITS.items()]
    units = units[: draw(st.integers(3, len(units)))]
    opening = {
        "record": "event",
        "id": "n0",
        "kind": "connected",
        "drain": "d1",
        "collector": "u1",
        "chamber": "A",
        "at": start.isoformat(),
        "start_level": millilitres(0),
    }
    done = [opening, *(draw(_placed(start, number)) for number in range(1, draw(st.integers(2, most))))]
    said = drains + units + done
    later = [draw(_second_thought(start, said, number)) for number in range(draw(st.integers(0, 4)))]
    return said + later


def journals(most: int = 24) -> SearchStrategy[list[Record]]:
    """The same as records of the domain."""
    return raw_journals(most).map(records_of)
