"""What is rendered is valid by validators that nobody here wrote (tests/harness; CHECKS.md 'FHIR'), R4 and R5."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drainledger.domain.records import Key
from drainledger.fhir import Fhir, Renderer, Resource
from tests.fhir import samples, strategies
from tests.fhir.test_templates import READINGS
from tests.harness.models import check_models
from tests.harness.node import validate

DRAINS = {"drn-7": samples.DRAIN}
ELSEWHERE = [
    "Observation/*",
    "Device/*",
    "DeviceMetric/*",
    "Patient/*",
]  # what one entry refers to and doesn't hold


def whole_set(fhir: Fhir) -> list[Resource]:
    """A drain's resources, complete: nothing they refer to is missing."""
    renderer = Renderer(samples.mappings().codes, fhir=fhir)
    unit = samples.unit()
    second = samples.reading(
        key=Key("reading", "ward", "r-2"), at=samples.at(7, 20), level=None, level_not_read="foam"
    )
    return [
        renderer.adapter(),
        *renderer.drain(samples.DRAIN, since=samples.at(6)),
        *renderer.collector(unit, [samples.CONNECTION], DRAINS),
        *renderer.connection(samples.CONNECTION, samples.DRAIN, stamp=samples.at(6)),
        *renderer.node(samples.connected(), samples.DRAIN, unit),
        *renderer.node(samples.read(findings=(samples.finding("chamber-full"),)), samples.DRAIN, unit),
        *renderer.node(samples.read(second, levels=(), interval=None, total=None), samples.DRAIN, unit),
        *renderer.window(samples.window(status="preliminary"), samples.DRAIN),
        *renderer.issue(samples.finding("still-clamped"), samples.DRAIN),
        *renderer.retracted(
            samples.reading(key=Key("reading", "ward", "r-9")),
            samples.DRAIN,
            samples.CONNECTION,
            unit,
            stamp=samples.at(9),
        ),
    ]


def lines(resources: list[Resource]) -> list[bytes]:
    return [resource.body for resource in resources]


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_a_whole_set_comes_back_from_fhir_resources(fhir: Fhir) -> None:
    assert check_models(lines(whole_set(fhir)), fhir) == []


def test_a_whole_set_is_valid_and_adds_up(conformance_dir: Path) -> None:
    assert validate(lines(whole_set("R4")), conformance_dir) == []


@pytest.mark.parametrize("profile", ["adult-single", "powered", "inline-bag", "adult-dual"])
def test_every_collector_is_valid(conformance_dir: Path, profile: str) -> None:
    for fhir in ("R4", "R5"):
        made = Renderer(samples.mappings().codes, fhir=fhir).collector(
            samples.unit(profile), [samples.CONNECTION], DRAINS
        )
        assert check_models(lines(made), fhir) == []
        if fhir == "R4":
            assert validate(lines(made), conformance_dir, ELSEWHERE) == []


@pytest.mark.parametrize("name", READINGS)
def test_every_kind_of_reading_is_valid(conformance_dir: Path, name: str) -> None:
    for fhir in ("R4", "R5"):
        renderer = Renderer(samples.mappings().codes, fhir=fhir)
        made = renderer.node(READINGS[name], samples.DRAIN, samples.unit())
        assert check_models(lines(made), fhir) == []
        if fhir == "R4":
            assert validate(lines(made), conformance_dir, ELSEWHERE, whole_set=False) == []


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(st.data())
def test_any_entry_is_valid(conformance_dir: Path, data: st.DataObject) -> None:
    drain = data.draw(strategies.drains)
    entry = _possible(data.draw(strategies.entries(drain)))
    made = Renderer(samples.mappings().codes).node(entry, drain, samples.unit())
    assert check_models(lines(made)) == []
    if made:  # not every event gives something
        assert validate(lines(made), conformance_dir, ELSEWHERE, whole_set=False) == []


def _possible(entry: Any) -> Any:
    """Periods that don't run backwards, and deviations of exact values alone: the ledger gives no others."""
    interval, total = entry.interval, entry.total
    if interval is not None:
        start = None if interval.start is None else min(interval.start, interval.end)
        deviation = interval.deviation if interval.bound == "exact" else None
        interval = msgspec.structs.replace(interval, start=start, deviation=deviation)
    if total is not None:
        deviation = total.deviation if total.bound == "exact" else None
        total = msgspec.structs.replace(total, since=min(total.since, total.at), deviation=deviation)
    return msgspec.structs.replace(entry, interval=interval, total=total)


def codings(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        if "system" in value and "code" in value:
            yield value
        for each in value.values():
            yield from codings(each)
    elif isinstance(value, list):
        for each in value:
            yield from codings(each)


@pytest.mark.parametrize("fhir", ["R4", "R5"])
def test_every_local_code_on_the_wire_is_in_the_code_system(fhir: Fhir, conformance_dir: Path) -> None:
    system = json.loads((conformance_dir / "CodeSystem-chest-drain.json").read_text())
    known = {concept["code"]: concept["display"] for concept in system["concept"]}
    renderer = Renderer(samples.mappings().codes, fhir=fhir)
    made = whole_set(fhir) + [
        resource
        for entry in READINGS.values()
        for resource in renderer.node(entry, samples.DRAIN, samples.unit("powered"))
    ]
    used = {
        (coding["code"], coding["display"])
        for resource in made
        for coding in codings(json.loads(resource.body))
        if coding["system"] == system["url"]
    }
    observed = {code.code for code in samples.mappings().codes.values() if code.kind == "observation"}
    assert observed <= {code for code, _ in used}
    assert used <= known.items()
