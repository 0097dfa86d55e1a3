"""What is encoded comes back as it was: every kind of record, whatever it holds."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drainledger.domain.problems import Problem
from drainledger.domain.records import Event, Key, Reading, Record
from drainledger.domain.refolds import Refold
from drainledger.domain.statements import Slot
from drainledger.store import codec
from drainledger.store.instants import from_micros, to_micros
from drainledger.store.rows import Part
from tests.journals.strategies import journals
from tests.store.samples import EVERY_KIND, NOON, correction
from tests.store.strategies import records


def again(record: Record) -> Record:
    found = codec.decode_record(record.key.kind, codec.encode_record(record))
    assert not isinstance(found, Refold)
    return found


@given(records())
def test_any_record_comes_back(record: Record) -> None:
    assert again(record) == record


@given(journals())
def test_records_of_journals_come_back(journal: list[Record]) -> None:
    assert [again(record) for record in journal] == journal


@pytest.mark.parametrize("record", EVERY_KIND, ids=lambda record: record.key.kind)
def test_types_come_back_too(record: Record) -> None:
    """Equality alone would let 40 pass for 40.0, a list for a tuple, a bare tuple for a key."""
    back = again(record)
    assert repr(back) == repr(record)
    assert type(back.key) is Key


def test_decimals_are_kept_as_written() -> None:
    record = Reading(
        key=Key("reading", "s", "r"), drain="d", at=NOON, level=Decimal("123456789012345678.901")
    )
    assert b"123456789012345678.901" in codec.encode_record(record)
    back = again(record)
    assert isinstance(back, Reading)
    assert str(back.level) == "123456789012345678.901"


@pytest.mark.parametrize("micros", [0, 1, 500_000, 999_999])
def test_instants_are_exact_to_the_microsecond(micros: int) -> None:
    at = NOON + timedelta(microseconds=micros)
    back = again(Event(key=Key("event", "s", "e"), kind="milked", at=at, drain="d"))
    assert isinstance(back, Event)
    assert (back.at, back.at.utcoffset()) == (at, timedelta(0))


@given(
    st.datetimes(timezones=st.sampled_from([UTC, timezone(timedelta(hours=-11)), ZoneInfo("Europe/Lisbon")]))
)
def test_any_instant_as_microseconds(at: datetime) -> None:
    # In UTC: of two zones, an hour that a clock change repeats is never equal (PEP 495).
    assert from_micros(to_micros(at)) == at.astimezone(UTC)


def test_an_instant_needs_a_zone() -> None:
    with pytest.raises(TypeError):
        to_micros(datetime(2026, 3, 2))  # noqa: DTZ001 - the point of the test


def test_a_field_added_later_has_its_default_in_older_rows() -> None:
    older = codec.encode_record(EVERY_KIND[2]).replace(b"tidaling", b"tidalinX")
    back = codec.decode_record("reading", older)
    assert isinstance(back, Reading)
    assert back.tidaling is None


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("reading", b""),
        ("reading", b"\xc0"),
        ("nothing", b"\x80"),
        ("reading", codec.encode_record(correction())),
        ("correction", codec.encode_record(EVERY_KIND[2])),
    ],
)
def test_other_bytes_are_refused(kind: str, data: bytes) -> None:
    with pytest.raises(codec.CodecError):
        codec.decode_record(kind, data)


def test_parts_bodies_problems_and_words_come_back() -> None:
    parts = {
        "level": Part("Observation", 3, 7, b"\x00" * 16, "final", "chamber-level"),
        "": Part("Patient", 1, 1, b"", "", ""),
    }
    assert codec.decode_parts(codec.encode_parts(parts)) == parts
    assert codec.decode_bodies(codec.encode_bodies({"a": b"\xff", "": b""})) == {"a": b"\xff", "": b""}
    problems = (Problem("bad-json", "/a", "text"),)
    assert codec.decode_problems(codec.encode_problems(problems)) == problems
    assert codec.decode_words(codec.encode_words(("a", "b"))) == ("a", "b")


_visible = st.text(st.characters(exclude_categories=["C"]))


@given(st.builds(Slot, _visible, _visible, _visible))
def test_slots_come_back(slot: Slot) -> None:
    assert codec.split_slot(codec.join_slot(slot)) == slot
    assert codec.split_slot(None) is None
    assert codec.join_slot(None) is None


def test_ids_are_split_at_their_first_dot() -> None:
    assert [codec.split_id(text) for text in ("u.level", "u", "u.a.b")] == [
        ("u", "level"),
        ("u", ""),
        ("u", "a.b"),
    ]


def test_a_held_digest_is_of_source_and_bytes() -> None:
    assert len({codec.held_digest(*pair) for pair in (("a", b"x"), ("b", b"x"), ("a", b"y"))}) == 3
    assert codec.held_digest("s" * 500, b"x") != codec.held_digest("s" * 499, b"x")
