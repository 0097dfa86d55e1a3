"""Lists a page at a time: every live thing exactly once, by following the links alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest

from tests.web.http import Http
from tests.web.ward import COLLECTOR, CONNECTED, DRAIN, reading

IDS = [f"drn-{number}" for number in range(7)]


def retraction(drain: str) -> dict[str, object]:
    return {
        "record": "retraction",
        "id": f"x-{drain}",
        "retracts": drain,
        "kind": "drain",
        "made_at": "2026-03-02T10:00:00Z",
    }


def pages(http: Http, path: str) -> Iterator[dict[str, Any]]:
    """Each page; the next by the header Link, which has to say what `next` does."""
    link: str | None = path
    while link:
        answered = http.get(link)
        assert answered.status_code == 200, (link, answered.text)
        assert ("link" in answered.headers) == (answered.json()["next"] is not None)
        yield answered.json()
        link = answered.links["next"]["url"] if "link" in answered.headers else None


def drains_of(http: Http, path: str) -> list[str]:
    return [one["drain"] for page in pages(http, path) for one in page["drains"]]


@pytest.mark.parametrize("limit", [1, 2, 3, 7])
@pytest.mark.parametrize("gone", [*((id_,) for id_ in IDS), tuple(IDS[:3]), tuple(IDS[2:5]), tuple(IDS)])
def test_a_retracted_drain_hides_no_other(http: Http, gone: tuple[str, ...], limit: int) -> None:
    http.post(*(DRAIN | {"id": id_} for id_ in IDS))
    assert http.post(*(retraction(id_) for id_ in gone)).json()["held"] == 0
    assert drains_of(http, f"/v1/drains?limit={limit}") == [id_ for id_ in IDS if id_ not in gone]


def test_each_live_drain_once_while_others_come_and_go(http: Http) -> None:
    """Between two pages a drain is retracted before, at and after the place, and another comes."""
    http.post(*(DRAIN | {"id": id_} for id_ in IDS))
    changes = iter([retraction("drn-1"), retraction("drn-5"), DRAIN | {"id": "drn-00"}, retraction("drn-3")])
    found: list[str] = []
    for page in pages(http, "/v1/drains?limit=2"):
        found += [one["drain"] for one in page["drains"]]
        if change := next(changes, None):
            assert http.post(change).json()["held"] == 0
    assert found == ["drn-0", "drn-1", "drn-2", "drn-3", "drn-4", "drn-6"]


@pytest.mark.parametrize(
    ("query", "expected"),
    [("", 7), ("?drain=drn-7", 5), ("?drain=drn%2F8", 2), ("?state=all", 8), ("?state=discarded", 1)],
)
def test_every_link_of_the_held_goes_on_with_the_same_choice(http: Http, query: str, expected: int) -> None:
    bad = {"at": "2026-03-02T10:00:00"}
    http.post(*(reading(f"r-{number}", 10, number) | bad for number in range(5)))
    http.post(*(reading(f"s-{number}", 10, number) | bad | {"drain": "drn/8"} for number in range(2)))
    (last,) = http.post(reading("t", 10, 1) | bad | {"drain": "drn-9"}).json()["results"]
    http.call("POST", f"/v1/held/{last['held_id']}/discard", json={"reason": "a test"})
    for limit in (1, 2, 3, 500):
        listed = f"/v1/held{query}{'&' if query else '?'}limit={limit}"
        found = [one["held_id"] for page in pages(http, listed) for one in page["held"]]
        assert len(found) == len(set(found)) == expected
    link = http.get("/v1/held?drain=drn-7&state=held&limit=1").headers["link"]
    assert "drn" not in link


def test_a_cursor_of_the_held_is_of_its_choice(http: Http) -> None:
    http.post(*(reading(f"r-{number}", 10, 1) | {"at": "2026-03-02T10:00:00"} for number in range(3)))
    cursor = http.get("/v1/held?drain=drn-7&limit=1").json()["next"]
    for same in ("", "&drain=drn-7", "&drain=drn-7&state=held"):
        assert len(http.get(f"/v1/held?cursor={cursor}{same}").json()["held"]) == 2
    for other in ("&drain=drn-8", "&state=all"):
        assert http.get(f"/v1/held?cursor={cursor}{other}").json()["code"] == "bad-cursor"
    assert http.get(f"/v1/drains?cursor={cursor}").json()["code"] == "bad-cursor"


@pytest.mark.parametrize("drain", ["drn-7", "a/ledger", "50%", "ö ?#"])
def test_every_link_of_the_changes_goes_on(http: Http, drain: str) -> None:
    named = [reading(f"r-{number}", 8 + number, 10 * number) | {"drain": drain} for number in range(5)]
    http.post(*(one | ({"id": drain} if one is DRAIN else {"drain": drain}) for one in (DRAIN, CONNECTED)))
    http.post(COLLECTOR, *named)
    place = f"/v1/drains/{quote(drain, safe='')}/ledger?changes_since=2000-01-01T00:00:00Z&limit="
    found = {
        limit: [one["record"] for page in pages(http, f"{place}{limit}") for one in page["changes"]]
        for limit in (1, 2, 500)
    }
    assert found[1] == found[2] == found[500]
    assert found[1][-5:] == [f"r-{number}" for number in range(5)]


def test_the_longest_ids_fit_into_a_cursor(http: Http) -> None:
    longest = "\U0001f600" * 128
    http.post(*(DRAIN | {"id": longest[:-1] + end} for end in "ab"))
    assert len(drains_of(http, "/v1/drains?limit=1")) == 2
    http.post(*(reading(f"r-{n}", 10, 1) | {"at": "x", "drain": longest} for n in range(2)))
    assert len(list(pages(http, f"/v1/held?limit=1&drain={longest}"))) >= 2
