"""Entries of every shape, for hypothesis: each optional field there or not, words awkward to write in JSON or a URI."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import get_args

from hypothesis import strategies as st

from drainledger.domain.entries import (
    Bound,
    Connection,
    Finding,
    Ground,
    Interval,
    LevelMark,
    LevelRef,
    NodeEntry,
    Total,
    What,
)
from drainledger.domain.records import (
    AirLeak,
    Drain,
    Event,
    EventKind,
    Identifier,
    Indicator,
    Key,
    NotReadReason,
    Observer,
    Patency,
    Pattern,
    PinchTest,
    Presence,
    Reading,
    Suction,
    SuctionMode,
)
from tests.fhir.samples import mappings

ZONES = ("Europe/Lisbon", "America/New_York", "Asia/Kolkata", "UTC")
KINDS = ("pleural", "mediastinal", "pericardial", "other")
SIDES = (None, "left", "right", "midline")

ids = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12)
# Spaces of other widths have a test of their own: they are written as plain ones.
texts = st.text(
    st.characters(exclude_categories=["Cs", "Cc", "Z"], include_characters=" "), min_size=1, max_size=30
).map(lambda text: text.strip() or "x")
instants = st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31), timezones=st.just(UTC))  # noqa: DTZ001 - bounds are naive there
decimals = st.decimals(Decimal("-99"), Decimal(2000), places=1)
volumes = st.decimals(Decimal(0), Decimal(2000), places=1)


def maybe(strategy: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | strategy


def word(literal: object) -> st.SearchStrategy[str]:
    return st.sampled_from(get_args(literal))


systems = texts.map(lambda text: text.replace(" ", "_"))  # a URI; white space in one has a test of its own
identifiers = st.builds(Identifier, systems, texts)
observers = st.builds(Observer, st.sampled_from(["practitioner", "device"]), texts, maybe(systems))
drains = st.builds(
    Drain,
    key=st.builds(Key, st.just("drain"), st.just(""), ids),
    patient=identifiers,
    time_zone=st.sampled_from(ZONES),
    kind=st.sampled_from(KINDS),
    side=st.sampled_from(SIDES),
    label=maybe(texts),
    inserted_at=maybe(instants),
    encounter=maybe(identifiers),
)
suctions = st.builds(
    Suction,
    mode=maybe(word(SuctionMode)),
    prescribed=maybe(decimals),
    set=maybe(decimals),
    applied=maybe(decimals),
    indicator=maybe(word(Indicator)),
)
air_leaks = st.builds(
    AirLeak,
    grade=maybe(st.integers(0, 9)),
    flow=maybe(volumes),
    pattern=maybe(word(Pattern)),
    provoked=maybe(st.just("cough")),
    test=maybe(st.builds(PinchTest, texts, st.sampled_from(["stops", "persists"]))),
)
appearances = st.lists(
    st.sampled_from(
        [code.removeprefix("appearance-") for code in mappings().codes if code.startswith("appearance-")]
    ),
    max_size=3,
    unique=True,
)
issue_codes = st.sampled_from([code.code for code in mappings().codes.values() if code.kind == "finding"])


def readings(key: Key, drain: str, moment: datetime) -> st.SearchStrategy[Reading]:
    return st.builds(
        Reading,
        key=st.just(key),
        drain=st.just(drain),
        at=st.just(moment),
        level_not_read=maybe(word(NotReadReason)),
        suction=maybe(suctions),
        pressure=maybe(decimals),
        air_leak=maybe(air_leaks),
        tidaling=maybe(word(Presence)),
        swing=maybe(volumes),
        patency=maybe(word(Patency)),
        appearance=appearances.map(tuple),
        scale=maybe(st.sampled_from(["gravity", "suction"])),
        observer=maybe(observers),
        note=maybe(texts),
    )


def events(key: Key, drain: str, moment: datetime) -> st.SearchStrategy[Event]:
    return st.builds(
        Event,
        key=st.just(key),
        kind=word(EventKind),
        at=st.just(moment),
        drain=st.just(drain) | st.none(),
        collector=maybe(ids),
        volume=maybe(volumes),
        mode=maybe(word(SuctionMode)),
        pressure=maybe(decimals),
        observer=maybe(observers),
        note=maybe(texts),
    )


@st.composite
def entries(draw: st.DrawFn, drain: Drain) -> NodeEntry:
    """Any entry of a record in a drain. Parts are short enough for an id; the long ones have a test of their own."""
    kind = draw(st.sampled_from(["reading", "event"]))
    key = Key(kind, draw(ids), draw(ids))  # type: ignore[arg-type]  # a test names fields that are there
    moment = draw(instants)
    said: st.SearchStrategy[Reading | Event] = readings(key, drain.id, moment)
    if kind == "event":
        said = events(key, drain.id, moment)
    record = draw(said)
    prefix = draw(st.sampled_from(["", "A."])) if record.drain is None else ""
    connection = draw(maybe(_connections(drain.id)))
    marks = draw(_marks(key, moment, prefix))
    interval = draw(maybe(_intervals(key, prefix)))
    return NodeEntry(
        key=key,
        drain=drain.id,
        at=moment,
        record=record,
        status=draw(st.sampled_from(["used", "set-aside"])),
        corrected=draw(st.booleans()),
        stamp=draw(instants),
        connection=connection,  # type: ignore[arg-type]  # a test names fields that are there
        levels=marks,
        interval=interval,  # type: ignore[arg-type]  # a test names fields that are there
        total=draw(maybe(_totals(key, prefix))),  # type: ignore[arg-type]  # a test names fields that are there
        findings=tuple(draw(st.lists(_findings(key), max_size=3))),
        last_leak=tuple(draw(st.lists(_grounds(key), max_size=2))),
        leak_free_hours=draw(maybe(volumes)),  # type: ignore[arg-type]  # a test names fields that are there
        dropped=draw(st.sampled_from([(), ("air_leak.grade",)])),
    )


def _connections(drain: str) -> st.SearchStrategy[Connection]:
    return st.builds(
        Connection,
        drain=st.just(drain),
        collector=ids,
        chamber=st.sampled_from("AB"),
        reads=st.sampled_from(["level", "counter", "volume"]),
        start=instants,
        opened_by=st.builds(Key, st.just("event"), ids, ids),
    )


@st.composite
def _marks(draw: st.DrawFn, key: Key, moment: datetime, prefix: str) -> tuple[LevelMark, ...]:
    parts = ["final", "start", "before", "after"] if prefix or key.kind == "event" else [""]
    chosen = draw(st.lists(st.sampled_from(parts), unique=True, max_size=2))
    return tuple(
        LevelMark(
            owner=key,
            part=f"{prefix}{part}",
            at=moment,
            collector=draw(ids),
            chamber=draw(st.sampled_from("AB")),
            value=draw(decimals),
            used=draw(st.booleans()),
            why=draw(maybe(texts)),  # type: ignore[arg-type]  # a test names fields that are there
            counter=draw(st.booleans()),
        )
        for part in chosen
    )


def _intervals(key: Key, prefix: str) -> st.SearchStrategy[Interval]:
    other = st.builds(Key, st.sampled_from(["reading", "event"]), ids, ids)
    level = st.builds(LevelRef, other, st.sampled_from(["", "final", "B.start"]))
    return st.builds(
        Interval,
        owner=st.just(key),
        part=st.just(prefix),
        collector=maybe(ids),
        chamber=maybe(st.sampled_from("AB")),
        start=maybe(instants),
        end=instants,
        output=maybe(volumes),
        bound=word(Bound),
        deviation=maybe(st.decimals(0, 9, places=3)),
        irrigant=volumes,
        rate=maybe(volumes),
        rate_per_weight=maybe(st.decimals(0, 9, places=2)),
        records=st.just((key,)),
        levels=st.just(()) | st.tuples(level, level),
        findings=st.lists(st.sampled_from(["unexplained-fall", "chamber-full"]), max_size=2).map(tuple),
        stamp=instants,
        preliminary=st.booleans(),
        weighed_by=maybe(other | st.just(key) | st.builds(Key, st.just("drain"), st.just(""), ids)),
        drawn=st.lists(st.builds(Ground, other, st.sampled_from(["sampled", "reinfused"])), max_size=2).map(
            tuple
        ),
    )


def _totals(key: Key, prefix: str) -> st.SearchStrategy[Total]:
    return st.builds(
        Total,
        owner=st.just(key),
        part=st.just(prefix),
        since=instants,
        at=instants,
        total=volumes,
        bound=word(Bound),
        deviation=maybe(st.decimals(0, 9, places=3)),
        net=volumes,
        stamp=instants,
        preliminary=st.booleans(),
    )


def _grounds(key: Key) -> st.SearchStrategy[Ground]:
    """Of the record itself or another; an interval's part is a prefix, a level's a name."""
    owner = st.just(key) | st.builds(Key, st.sampled_from(["reading", "event"]), ids, ids)
    level = st.builds(Ground, owner, st.just("level"), st.sampled_from(["", "final", "A.start"]))
    output = st.builds(Ground, owner, st.just("output"), st.sampled_from(["", "A."]))
    return level | output | st.builds(Ground, owner, word(What))


def _findings(key: Key) -> st.SearchStrategy[Finding]:
    return st.builds(
        Finding,
        code=issue_codes,
        issue=st.booleans(),
        at=instants,
        owner=st.just(key),
        records=st.just((key,)),
        text=texts,
        grounds=st.lists(_grounds(key), max_size=3).map(tuple),
    )
