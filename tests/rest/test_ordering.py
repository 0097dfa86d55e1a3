"""What `_sort` compares by (R4 search.html#sort; datatypes.html#dateTime for what a partial date covers)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from drainledger.rest.ordering import instant, sort_key

_TICK = timedelta(microseconds=1)


@pytest.mark.parametrize(
    ("text", "first", "after"),
    [
        ("2026", "2026-01-01", "2027-01-01"),
        ("2026-02", "2026-02-01", "2026-03-01"),
        ("2026-12", "2026-12-01", "2027-01-01"),
        ("2028-02-29", "2028-02-29", "2028-03-01"),
    ],
)
def test_a_partial_date_covers_what_it_names(text: str, first: str, after: str) -> None:
    assert instant(text, last=False) == datetime.fromisoformat(f"{first}T00:00:00Z")
    assert instant(text, last=True) == datetime.fromisoformat(f"{after}T00:00:00Z") - _TICK


def test_an_instant_with_an_offset_is_itself() -> None:
    assert instant("2026-03-02T09:00:00-05:00", last=True) == datetime(2026, 3, 2, 14, tzinfo=UTC)


def test_each_kind_by_what_it_says() -> None:
    period = {"start": "2026-03-02T08:00:00Z", "end": "2026-03-02T09:00:00Z"}
    assert sort_key("date", [period], descending=False) == datetime(2026, 3, 2, 8, tzinfo=UTC)
    assert sort_key("date", [period], descending=True) == datetime(2026, 3, 2, 9, tzinfo=UTC)
    assert sort_key("date", [{"end": period["end"]}], descending=False) == datetime.min.replace(tzinfo=UTC)
    assert sort_key("quantity", [{"value": Decimal("9.5")}, {"value": 10}], descending=True) == 10
    assert sort_key("string", ["Beta", "alpha"], descending=False) == "alpha"
    assert (
        sort_key("token", [{"coding": [{"system": "s", "code": "b"}, {"code": "a"}]}], descending=True)
        == "b|s"
    )
    assert (
        sort_key("reference", [{"reference": "Device/1"}, {"display": "x"}], descending=False) == "Device/1"
    )
    assert sort_key("date", [], descending=False) is None
