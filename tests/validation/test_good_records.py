"""Good records of every kind come out in normal form: mL, cm[H2O], mL/min, kg, UTC (DESIGN 3)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from drainledger.domain.records import (
    AirLeak,
    ChamberLevels,
    Collector,
    Correction,
    Drain,
    Event,
    Identifier,
    Key,
    Observer,
    PinchTest,
    Reading,
    Retraction,
    Suction,
    Udi,
)
from drainledger.domain.validation.event import RULES
from tests.validation.samples import (
    GONE,
    SOURCE,
    centimetres,
    collector,
    correction,
    drain,
    event,
    millilitres,
    parsed,
    reading,
    refused,
    retraction,
)

SEVEN = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)

# The records of DESIGN 3, as they stand there.
THE_DRAIN = b"""{"record":"drain","id":"drn-7","patient":{"system":"https://ward.example/mrn","value":"P-1042"},
 "label":"1","kind":"pleural","side":"left","inserted_at":"2026-03-02T05:40:00+00:00",
 "weight":{"value":72,"unit":"kg"},"ward":"W3","encounter":{"system":"https://ward.example/visit","value":"V-9"},
 "reads_every":"PT1H","time_zone":"Europe/Lisbon"}"""
THE_COLLECTOR = b"""{"record":"collector","id":"col-3","profile":"adult-single","serial":"A1","lot":"L9",
 "expires_on":"2028-01-31"}"""
THE_EVENT = b"""{"record":"event","id":"ev-1","kind":"connected","drain":"drn-7","collector":"col-3","chamber":"A",
 "at":"2026-03-02T06:00:00+00:00","start_level":{"value":0,"unit":"mL"}}"""
THE_READING = b"""{"record":"reading","id":"r-1","drain":"drn-7","at":"2026-03-02T07:00:00+00:00",
 "level":{"value":40,"unit":"mL"},
 "suction":{"mode":"suction","prescribed":{"value":-20,"unit":"cm[H2O]"},"indicator":"reached"},
 "air_leak":{"grade":2,"pattern":"intermittent"},"tidaling":"present","appearance":["serosanguineous"],
 "observer":{"kind":"practitioner","value":"N-88"}}"""
THE_RETRACTION = b"""{"record":"retraction","id":"x-1","retracts":"r-1","made_at":"2026-03-02T09:12:00+00:00",
 "reason":"charted on the wrong patient"}"""


def test_the_drain_of_the_contract() -> None:
    assert parsed(THE_DRAIN).record == Drain(
        key=Key("drain", "", "drn-7"),
        patient=Identifier("https://ward.example/mrn", "P-1042"),
        time_zone="Europe/Lisbon",
        kind="pleural",
        side="left",
        label="1",
        inserted_at=datetime(2026, 3, 2, 5, 40, tzinfo=UTC),
        weight=Decimal(72),
        ward="W3",
        encounter=Identifier("https://ward.example/visit", "V-9"),
        reads_every=timedelta(hours=1),
    )


def test_the_collector_of_the_contract() -> None:
    assert parsed(THE_COLLECTOR).record == Collector(
        key=Key("collector", "", "col-3"),
        profile="adult-single",
        serial="A1",
        lot="L9",
        expires_on="2028-01-31",
    )


def test_the_event_of_the_contract() -> None:
    assert parsed(THE_EVENT).record == Event(
        key=Key("event", SOURCE, "ev-1"),
        kind="connected",
        at=datetime(2026, 3, 2, 6, 0, tzinfo=UTC),
        drain="drn-7",
        collector="col-3",
        chamber="A",
        start_level=Decimal(0),
    )


def test_the_reading_of_the_contract() -> None:
    assert parsed(THE_READING).record == Reading(
        key=Key("reading", SOURCE, "r-1"),
        drain="drn-7",
        at=SEVEN,
        level=Decimal(40),
        suction=Suction(mode="suction", prescribed=Decimal(-20), indicator="reached"),
        air_leak=AirLeak(grade=2, pattern="intermittent"),
        tidaling="present",
        appearance=("serosanguineous",),
        observer=Observer("practitioner", "N-88"),
    )


def test_the_retraction_of_the_contract() -> None:
    assert parsed(THE_RETRACTION).record == Retraction(
        key=Key("retraction", SOURCE, "x-1"),
        retracts="r-1",
        made_at=datetime(2026, 3, 2, 9, 12, tzinfo=UTC),
        reason="charted on the wrong patient",
    )


@pytest.mark.parametrize(
    "inner", [reading(), reading(record=GONE, id=GONE)], ids=["whole", "without kind and id"]
)
def test_a_correction_holds_the_whole_record(inner: dict[str, Any]) -> None:
    whole = parsed(reading()).record
    assert parsed(correction(reading=inner)).record == Correction(
        key=Key("correction", SOURCE, "c-1"),
        corrects=Key("reading", SOURCE, "r-1"),
        made_at=datetime(2026, 3, 2, 9, 10, tzinfo=UTC),
        record=whole,  # type: ignore[arg-type]  # a Reading, as the first test of this file shows
    )


def test_a_correction_of_a_drain_or_a_collector_names_no_source() -> None:
    corrected = parsed(correction(corrects="drn-7", drain=drain(ward="W4"))).record
    assert isinstance(corrected, Correction)
    assert corrected.corrects == corrected.record.key == Key("drain", "", "drn-7")
    unit = parsed(correction(corrects="col-3", collector=collector(lot="L8"))).record
    assert isinstance(unit, Correction)
    assert unit.corrects == unit.record.key == Key("collector", "", "col-3")


@pytest.mark.parametrize("kind", ["drain", "collector", "event", "reading"])
def test_a_retraction_may_name_the_kind(kind: str) -> None:
    record = parsed(retraction(kind=kind)).record
    assert isinstance(record, Retraction)
    assert record.target_kind == kind


NEEDS: dict[str, dict[str, object]] = {
    "connected": {"collector": "col-3"},
    "replaced": {"collector": "col-4"},
    "sampled": {"volume": millilitres(10)},
    "irrigated": {"volume": millilitres(50)},
    "suction-prescribed": {"mode": "gravity"},
    "weighed": {"weight": {"value": 3.5, "unit": "kg"}},
}


@pytest.mark.parametrize("kind", RULES)
def test_every_kind_of_event_is_taken_with_no_more_than_it_needs(kind: str) -> None:
    record = parsed(event(kind, **NEEDS.get(kind, {}))).record
    assert isinstance(record, Event)
    assert record.kind == kind


def test_an_event_takes_every_amount_of_its_kind() -> None:
    taken = {
        "connected": {"start_level": 0},
        "replaced": {"final_level": 340, "start_level": 5},
        "disconnected": {"final_level": 340},
        "removed": {"final_level": 340},
        "tipped": {"level_before": 420, "level_after": 380},
        "emptied": {"level_before": 900, "level_after": 0},
        "reinfused": {"volume": 300},
    }
    for kind, amounts in taken.items():
        sent = {name: millilitres(value) for name, value in amounts.items()}
        record = parsed(event(kind, **{**NEEDS.get(kind, {}), **sent})).record
        assert {name: getattr(record, name) for name in amounts} == amounts, kind


def test_a_change_or_a_tip_may_name_the_units_instead_of_a_drain() -> None:
    replaced = event(
        "replaced",
        drain=GONE,
        from_collector="col-3",
        collector="col-4",
        levels={"B": {"final_level": millilitres(9), "start_level": millilitres(0)}, "A": {}},
    )
    record = parsed(replaced).record
    assert isinstance(record, Event)
    assert (record.drain, record.from_collector, record.collector) == (None, "col-3", "col-4")
    assert record.levels == (
        ChamberLevels("A"),
        ChamberLevels("B", final_level=Decimal(9), start_level=Decimal(0)),
    )
    tipped = parsed(event("tipped", drain=GONE, collector="col-3")).record
    assert isinstance(tipped, Event)
    assert (tipped.collector, tipped.levels) == ("col-3", ())


def test_a_prescription_keeps_its_sign() -> None:
    record = parsed(
        event("suction-prescribed", mode="suction", pressure={"value": -15, "unit": "mmHg"})
    ).record
    assert isinstance(record, Event)
    assert record.pressure == Decimal("-20.4")  # 1 mmHg is 1.3595 cmH2O: NIST SP 811, B.8


def test_everything_that_a_reading_may_carry() -> None:
    record = parsed(
        reading(
            collector="col-3",
            volume=millilitres(30),
            from_="2026-03-02T06:00:00Z",
            suction={
                "mode": "gravity",
                "prescribed": centimetres(0),
                "set": centimetres(0),
                "applied": centimetres(1),
                "indicator": "not-assessed",
            },
            pressure=centimetres(12),
            air_leak={
                "grade": 0,
                "flow": {"value": 0, "unit": "mL/min"},
                "pattern": "none",
                "provoked": "cough",
                "test": {"pinched": "drn-7 at the skin", "bubbling": "stops"},
            },
            tidaling={"state": "present", "swing": centimetres(4)},
            patency="patent",
            appearance=["clots", "serous", "clots"],
            scale="suction",
            recorded_at="2026-03-02T06:30:00-00:45",
            observer={"kind": "device", "value": "D-1", "system": "https://ward.example/device"},
            note="  read twice\n",
        )
    ).record
    assert record == Reading(
        key=Key("reading", SOURCE, "r-1"),
        drain="drn-7",
        at=SEVEN,
        collector="col-3",
        level=Decimal(40),
        volume=Decimal(30),
        from_=datetime(2026, 3, 2, 6, 0, tzinfo=UTC),
        suction=Suction(
            mode="gravity",
            prescribed=Decimal(0),
            set=Decimal(0),
            applied=Decimal(1),
            indicator="not-assessed",
        ),
        pressure=Decimal(12),
        air_leak=AirLeak(
            grade=0,
            flow=Decimal(0),
            pattern="none",
            provoked="cough",
            test=PinchTest("drn-7 at the skin", "stops"),
        ),
        tidaling="present",
        swing=Decimal(4),
        patency="patent",
        appearance=("serous", "clots"),
        scale="suction",
        recorded_at=datetime(2026, 3, 2, 7, 15, tzinfo=UTC),
        observer=Observer("device", "D-1", "https://ward.example/device"),
        note="read twice",
    )


@pytest.mark.parametrize(
    "measured",
    [
        {"level": millilitres(0)},
        {"level": millilitres(-3)},  # set aside by the ledger, not held (DESIGN 4)
        {"volume": millilitres(0)},
        {"counter": millilitres(1200)},
        {"level_not_read": "foam"},
        {"suction": {"indicator": "reached"}},
        {"pressure": centimetres(0)},
        {"air_leak": {"grade": 0}},
        {"tidaling": "absent"},
        {"patency": "not-assessed"},
        {"appearance": ["none"]},
    ],
    ids=lambda measured: next(iter(measured)),
)
def test_one_measurement_makes_a_reading(measured: dict[str, object]) -> None:
    assert isinstance(parsed(reading(**{"level": GONE, **measured})).record, Reading)


@pytest.mark.parametrize(
    ("quantity", "expected"),
    [
        ({"value": Decimal("40.0"), "unit": "mL"}, "40"),
        ({"value": Decimal("4e1"), "unit": "cc"}, "40"),
        ({"value": Decimal("0.04"), "unit": "L"}, "40"),
        ({"value": Decimal("40.25"), "unit": "ml"}, "40.2"),
        ({"value": Decimal("-0.0"), "unit": "mL"}, "0"),
    ],
)
def test_a_value_is_converted_once_and_rounded_half_even(quantity: dict[str, object], expected: str) -> None:
    record = parsed(reading(level=quantity)).record
    assert isinstance(record, Reading)
    assert str(record.level) == expected


@pytest.mark.parametrize(
    "at",
    [
        "2026-03-02T07:00:00Z",
        "2026-03-02t07:00:00z",
        "2026-03-02 07:00:00+00:00",
        "2026-03-02T07:00+00:00",
        "2026-03-02T07:00:00.000-00:00",
        "2026-03-02T07:00:00.0000001Z",
        "2026-03-02T12:45:00+05:45",
        "2026-03-01T17:00:00-14:00",
    ],
)
def test_a_time_is_the_instant_however_it_is_written(at: str) -> None:
    assert parsed(reading(at=at)).record == parsed(reading()).record


def test_ten_minutes_ahead_is_a_clock_that_runs_fast() -> None:
    assert parsed(reading(at="2026-03-02T12:10:00Z")).ignored == ()


@pytest.mark.parametrize(
    ("text", "length"),
    [
        ("PT30M", timedelta(minutes=30)),
        ("PT1H30M", timedelta(minutes=90)),
        ("PT3600S", timedelta(hours=1)),
        ("P1D", timedelta(days=1)),
        ("P1DT12H", timedelta(hours=36)),
        ("P1W", timedelta(days=7)),
    ],
)
def test_a_reading_interval_is_a_duration(text: str, length: timedelta) -> None:
    record = parsed(drain(reads_every=text)).record
    assert isinstance(record, Drain)
    assert record.reads_every == length


@pytest.mark.parametrize("text", ["P", "PT", "P1DT", "PT1.5H", "-PT1H", "P1Y", "P32D", "pt1h", "PT1H "])
def test_other_durations_are_held(text: str) -> None:
    assert [problem.code for problem in refused(drain(reads_every=text)).problems] == ["bad-duration"]


@pytest.mark.parametrize("date", ["2028", "2028-11", "2028-02-29"])
def test_a_date_keeps_its_precision(date: str) -> None:
    record = parsed(collector(expires_on=date, made_on=date)).record
    assert isinstance(record, Collector)
    assert (record.expires_on, record.made_on) == (date, date)


def test_a_scanned_identifier_keeps_its_group_separators() -> None:
    udi = {"device_identifier": "04000000000017", "aidc": "0104000000000017\x1d10L9", "entry_type": "barcode"}
    record = parsed(collector(udi=udi)).record
    assert isinstance(record, Collector)
    assert record.udi == Udi("04000000000017", "0104000000000017\x1d10L9", None, "barcode")


def test_joined_drains_are_a_set() -> None:
    assert parsed(drain(joins=["drn-2", "drn-1"])).record == parsed(drain(joins=["drn-1", "drn-2"])).record


def test_marks_of_other_syntaxes_are_good_in_an_id() -> None:
    record = parsed(reading(id='a,b|c$d\\e/f~g"h é')).record
    assert isinstance(record, Reading)
    assert record.key.id == 'a,b|c$d\\e/f~g"h é'


def test_null_is_absent() -> None:
    nulls = dict.fromkeys(("volume", "suction", "air_leak", "tidaling", "appearance", "observer", "note"))
    assert parsed(reading(**nulls)) == parsed(reading())


def test_what_cannot_be_shown_in_a_note_becomes_a_space() -> None:
    record = parsed(reading(note="a\x00b\x1bc\td")).record
    assert isinstance(record, Reading)
    assert record.note == "a b c\td"


def test_signs_that_turn_text_become_spaces_in_a_note() -> None:
    """Unicode UAX 9, 2.1 to 2.4: embeddings, overrides and isolates. '30 mL' must not be read as '03 Lm'."""
    for sign in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069":
        record = parsed(reading(note=f"saw {sign}30 mL{sign} left")).record
        assert isinstance(record, Reading)
        assert record.note == "saw  30 mL  left"


def test_a_byte_order_mark_is_passed_over() -> None:
    assert parsed(b"\xef\xbb\xbf" + THE_READING) == parsed(THE_READING)


@pytest.mark.parametrize(
    ("record", "pointers"),
    [
        (reading(levl=4), ["/levl"]),
        (reading(**{"a/b~c": 4}), ["/a~1b~0c"]),
        (reading(level={"value": 40, "unit": "mL", "code": "mL"}), ["/level/code"]),
        (reading(suction={"mode": "suction", "pump": 1}), ["/suction/pump"]),
        (reading(suction={"set": {**centimetres(-20), "x": 1}}), ["/suction/set/x"]),
        (reading(observer={"kind": "device", "value": "D", "name": "x"}), ["/observer/name"]),
        (reading(from_="2026-03-02T06:00:00Z"), ["/from"]),
        (event("clamped", mode="suction", reads="level"), ["/reads", "/mode"]),
        (drain(patient={"system": "s", "value": "v", "use": "official"}), ["/patient/use"]),
        (collector(udi={"aidc": "x", "issuer": "y"}), ["/udi/issuer"]),
        (correction(reason="slip", reading=reading(depth=3)), ["/reason", "/reading/depth"]),
        (retraction(by="N-88"), ["/by"]),
    ],
    ids=lambda value: "" if isinstance(value, dict) else value[0],
)
def test_unknown_fields_are_told_and_never_hold(record: dict[str, Any], pointers: list[str]) -> None:
    ignored = parsed(record).ignored
    assert [(problem.code, problem.pointer) for problem in ignored] == [
        ("ignored-field", at) for at in pointers
    ]
