"""The ledger as JSON has the shape of DESIGN 6; as CSV it opens in a spreadsheet and does nothing there."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal

import pytest

from drainledger.convert.ledger_csv import COLUMNS, guarded, ledger_csv
from drainledger.convert.ledger_json import ledger_json
from drainledger.convert.ledger_view import drain_view, plain_text
from drainledger.domain.entries import DrainLedger
from tests.convert import make


def as_json(*ledgers: DrainLedger) -> dict[str, list[dict[str, object]]]:
    parsed: dict[str, list[dict[str, object]]] = json.loads(b"".join(ledger_json(map(drain_view, ledgers))))
    return parsed


def as_rows(*ledgers: DrainLedger) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(b"".join(ledger_csv(ledgers)).decode(), newline="")))


R1, R2 = make.reading("r-1"), make.reading("r-2", hour=8)


def test_the_shape_is_that_of_the_design() -> None:
    one = make.ledger(
        make.node(
            R1,
            interval=make.interval(R1, make.at(6), "40", findings=("within-reading-tolerance",)),
            total=make.total(R1, "40"),
            findings=(make.finding(R1, "within-reading-tolerance", issue=False),),
        ),
        windows=(make.window(),),
    )
    assert as_json(one) == {
        "drains": [
            {
                "drain": "drn-7",
                "patient": {"system": "https://ward.example/mrn", "value": "P-1"},
                "held": 1,
                "waiting": 2,
                "intervals": [
                    {
                        "collector": "col-3",
                        "chamber": "A",
                        "start": "2026-03-28T06:00:00+00:00",
                        "end": "2026-03-28T07:00:00+00:00",
                        "output_ml": "40",
                        "bound": "exact",
                        "output_sd_ml": "0.577",
                        "irrigant_ml": "0",
                        "rate_ml_h": "40.0",
                        "rate_ml_kg_h": "0.56",
                        "records": ["r-1"],
                        "findings": ["within-reading-tolerance"],
                    }
                ],
                "totals": [
                    {
                        "since": "2026-03-28T06:00:00+00:00",
                        "at": "2026-03-28T07:00:00+00:00",
                        "total_ml": "40",
                        "bound": "exact",
                        "total_sd_ml": "0.577",
                        "net_ml": "40",
                    }
                ],
                # The window's two edges lie on either side of the change to summer time.
                "windows": [
                    {
                        "name": "ward-day",
                        "start": "2026-03-28T07:00:00+00:00",
                        "end": "2026-03-29T07:00:00+01:00",
                        "covers": ["2026-03-28T06:00:00+00:00", "2026-03-28T07:00:00+00:00"],
                        "total_ml": "40",
                        "net_ml": "-10",
                        "bound": "at-least",
                        "coverage": "0.042",
                        "clamped_min": "0",
                        "status": "preliminary",
                    }
                ],
                "findings": [
                    {
                        "code": "within-reading-tolerance",
                        "issue": False,
                        "at": "2026-03-28T07:00:00+00:00",
                        "records": ["r-1"],
                        "text": "A sentence.",
                    }
                ],
                "set_aside": [],
                "waiting_records": [],
            }
        ]
    }


def test_an_unknown_output_is_null_and_an_amount_may_have_no_start() -> None:
    amount = make.interval(R2, None, None, collector=None, chamber=None)
    (drain,) = as_json(make.ledger(make.node(R2, interval=amount)))["drains"]
    intervals = drain["intervals"]
    assert isinstance(intervals, list)
    assert [
        intervals[0][name]
        for name in ("collector", "chamber", "start", "output_ml", "output_sd_ml", "rate_ml_h")
    ] == [None] * 6


def test_nothing_that_is_not_used_is_left_unsaid() -> None:
    event = make.connected("ev-9", "drn-7", "col-9")
    one = make.ledger(
        make.node(R1, status="set-aside", findings=(make.finding(R1, "far-over-capacity", issue=True),)),
        make.node(event, status="waiting"),
    )
    (drain,) = as_json(one)["drains"]
    assert drain["set_aside"] == [
        {
            "record": "r-1",
            "kind": "reading",
            "at": "2026-03-28T07:00:00+00:00",
            "findings": ["far-over-capacity"],
        }
    ]
    assert drain["waiting_records"] == [
        {"record": "ev-9", "kind": "connected", "at": "2026-03-28T06:00:00+00:00", "findings": []}
    ]


def test_records_that_wait_for_an_unknown_drain_stand_beside_the_drains() -> None:
    waiting = {"record": "r-1", "kind": "reading", "at": "2026-03-28T07:00:00+00:00", "findings": []}
    parsed = json.loads(b"".join(ledger_json([], [waiting])))  # type: ignore[list-item]  # a plain dict will do
    assert parsed == {"drains": [], "waiting_records": [waiting]}
    assert json.loads(b"".join(ledger_json([]))) == {"drains": []}


@pytest.mark.parametrize(
    ("value", "text"),
    [("4E+1", "40"), ("40.0", "40.0"), ("-0.5", "-0.5"), ("0.010", "0.010"), ("1E-7", "0.0000001")],
)
def test_decimals_keep_their_digits_and_take_no_exponent(value: str, text: str) -> None:
    assert plain_text(Decimal(value)) == text


def test_a_row_an_interval_with_the_total_at_its_end() -> None:
    rows = as_rows(
        make.ledger(
            make.node(
                R1, interval=make.interval(R1, make.at(6), "40"), total=make.total(R1, "40", net="-10")
            ),
            make.node(make.connected("ev-9", "drn-7", "col-9")),
            make.node(R2, interval=make.interval(R2, R1.at, None), total=make.total(R2, "40", "at-least")),
        )
    )
    assert [row["output_ml"] for row in rows] == ["40", ""]
    assert [(row["total_ml"], row["total_bound"], row["net_ml"]) for row in rows] == [
        ("40", "exact", "-10"),
        ("40", "at-least", "40"),
    ]
    assert rows[0]["records"] == '["r-1"]'


def test_every_column_is_documented() -> None:
    documented = ledger_csv.__globals__["__doc__"]
    described = [
        name.strip() for row in documented.split("\n| ")[3:] for name in row.split(" | ")[0].split(",")
    ]
    assert described == list(COLUMNS)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", "\n=", "\uff1d"])
def test_text_from_a_source_never_starts_a_formula(start: str) -> None:
    # Source: OWASP, 'CSV Injection'.
    patient = make.drain(f"{start}cmd|' /C calc'!A0", patient=f"{start}1+1")
    (row,) = as_rows(make.ledger(make.node(R1, interval=make.interval(R1, None, "1")), of=patient))
    assert row["drain"].startswith("'" + start)
    assert row["patient"].startswith("'" + start)


def test_harmless_text_and_numbers_are_left_as_they_are() -> None:
    assert guarded("drn-7") == "drn-7"
    assert guarded("") == ""
    assert guarded(None) is None
