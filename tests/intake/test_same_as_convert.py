"""The service and `convert` give the same content for the same journal, whatever the order and the batches
(DESIGN 5, invariant 3): but for meta, issued, final or amended, and what is entered in error."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.converted import converted, lines_of
from tests.intake.service import TENANT, Resource, latest, new_intake, running, send, sqlite_url
from tests.journals.books import FIXTURES, line
from tests.journals.raw import Raw, at, collector, connected, drain, event
from tests.journals.seeded import journal
from tests.postgres import new_database

_SEEDS = range(40)


def batches(lines: Sequence[bytes], seed: int) -> list[list[bytes]]:
    """The lines shuffled, some twice, in batches of random size."""
    rng = random.Random(seed)
    sent = [*lines, *rng.sample(list(lines), len(lines) // 10)]
    rng.shuffle(sent)
    found = []
    while sent:
        size = rng.randint(1, 12)
        found.append(sent[:size])
        sent = sent[size:]
    return found


def comparable(resources: dict[str, Resource]) -> dict[str, Any]:
    """Content without what may differ."""
    found = {}
    for reference, resource in resources.items():
        if (
            resource["resourceType"] in ("Provenance", "Patient")
            or resource.get("status") == "entered-in-error"
        ):
            continue
        if reference.startswith("DeviceMetric") and resource.get("operationalStatus") == "entered-in-error":
            continue
        kept = {
            name: value for name, value in resource.items() if name not in ("meta", "issued", "versionId")
        }
        if resource["resourceType"] == "Observation" and kept["status"] in (
            "final",
            "amended",
            "preliminary",
        ):
            kept["status"] = "standing"
        found[reference] = kept
    return found


def by_convert(lines: Sequence[bytes], tenant: str = TENANT, secret: bytes = b"") -> dict[str, Resource]:
    texts = converted(lines, tenant=tenant, secret=secret).splitlines()
    resources = (json.loads(text, parse_float=Decimal, parse_int=Decimal) for text in texts)
    return {f"{each['resourceType']}/{each['id']}": each for each in resources}


def assert_same(lines: Sequence[bytes], seed: int, url: str, *, senders: int = 1, intakes: int = 1) -> None:
    with running(url) as (store, first), ExitStack() as others:
        ways = [first, *(others.enter_context(closing(new_intake(store))) for _ in range(intakes - 1))]
        with ThreadPoolExecutor(senders) as pool:
            sent = [pool.submit(send, ways[n % intakes], *b) for n, b in enumerate(batches(lines, seed))]
            for answered in sent:
                answered.result()
        ours = comparable(latest(store))
    theirs = comparable(by_convert(lines))
    theirs = {reference: content for reference, content in theirs.items() if not is_adapter(content)}
    assert ours.keys() == theirs.keys()
    for reference, content in theirs.items():
        assert ours[reference] == content, reference


def is_adapter(content: dict[str, Any]) -> bool:
    return content["resourceType"] == "Device" and "version" in content


@pytest.mark.parametrize("seed", _SEEDS)
def test_generated_journals(seed: int, tmp_path: Path) -> None:
    assert_same(lines_of(seed, 40), seed, sqlite_url(tmp_path))


@pytest.mark.parametrize("seed", range(10))
def test_generated_journals_without_a_reading(seed: int, tmp_path: Path) -> None:
    """Drains that are connected, changed and taken out, and not read yet."""
    unread = [line(raw) for raw in journal(seed, 40) if raw["record"] != "reading"]
    assert_same(unread, seed, sqlite_url(tmp_path))


_CONNECTED = [drain(), collector(), connected("06:00", None)]


@pytest.mark.parametrize(
    "raws",
    [
        _CONNECTED,
        [drain(), collector(), connected("06:00")],
        [drain(inserted_at=at("05:00")), collector(), connected("06:00")],
        [*_CONNECTED, event("disconnected", "07:00")],
        [*_CONNECTED, event("removed", "07:00")],
        [drain(), event("removed", "07:00")],
        [drain()],
    ],
    ids=["no level", "a start level", "inserted", "off its unit", "taken out", "never connected", "alone"],
)
def test_a_drain_that_is_not_read_yet(raws: list[Raw], tmp_path: Path) -> None:
    assert_same([line(raw) for raw in raws], 1, sqlite_url(tmp_path))


@pytest.mark.parametrize("seed", range(10))
def test_many_senders_at_once(seed: int, tmp_path: Path) -> None:
    assert_same(lines_of(seed, 60), seed, sqlite_url(tmp_path), senders=8, intakes=2)


@pytest.mark.parametrize("seed", range(10))
def test_two_intakes_on_postgresql(seed: int) -> None:
    assert_same(lines_of(seed, 60), seed, new_database(), senders=8, intakes=2)


def test_the_demo(tmp_path: Path) -> None:
    assert_same((FIXTURES / "ward.ndjson").read_bytes().splitlines(), 7, sqlite_url(tmp_path), senders=8)
