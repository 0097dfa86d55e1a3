"""`$lastn`'s grouping, by the table of R4 observation-operation-lastn.html, and its ties."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from drainledger.rest.lastn import Seen, last_of_each

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def seen(id: str, codes: str, hour: int | None = 0) -> Seen:
    at = None if hour is None else NOON + timedelta(hours=hour)
    return Seen(id, tuple(("s", code) for code in codes.split(",")), at)


@pytest.mark.parametrize(
    ("codes", "groups"), [(("a", "b", "c"), 3), (("a", "b", "a,c"), 2), (("a", "b", "a,b"), 1)]
)
def test_the_groups_of_the_specification(codes: tuple[str, ...], groups: int) -> None:
    found = [seen(str(place), code, place) for place, code in enumerate(codes)]
    assert len(last_of_each(found, 1)) == groups


def test_the_latest_first_and_ties_together() -> None:
    found = [
        seen("1", "a", 1),
        seen("4", "a", 4),
        seen("3b", "a", 3),
        seen("3", "a", 3),
        seen("never", "a", None),
    ]
    assert last_of_each(found, 1) == ["4"]
    assert last_of_each(found, 2) == ["4", "3b", "3"]
    assert last_of_each(found, 9) == ["4", "3b", "3", "1", "never"]
    assert last_of_each([], 1) == []
