"""The compiled templates say exactly what the plain renderer says, which is written after FHIR.md."""

from __future__ import annotations

import json
from collections.abc import Iterable
from decimal import Decimal
from hashlib import sha256
from typing import Any
from uuid import UUID

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drainledger.domain.entries import CollectorUse, NodeEntry
from drainledger.domain.records import AirLeak, Drain, PinchTest, Suction
from drainledger.fhir import Renderer, Resource
from tests.fhir import samples, strategies
from tests.fhir.reference import PlainRenderer

SECRET = b"a secret of the tests"


def no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object whose keys all differ; a template that wrote one twice would hide it from a plain parser."""
    made = dict(pairs)
    assert len(made) == len(pairs), [key for key, _ in pairs]
    return made


def parsed(resources: Iterable[Resource]) -> list[Any]:
    """Numbers as they were written: 40.0 is not 40 (R4 datatypes.html#decimal)."""
    return [
        json.loads(
            each.body,
            object_pairs_hook=no_duplicates,
            parse_float=lambda text: ("number", text),
            parse_int=lambda text: ("number", text),
        )
        for each in resources
    ]


def written(value: Any) -> Any:
    """The plain renderer's objects with every Decimal as it is to be written."""
    if isinstance(value, dict):
        return {name: written(each) for name, each in value.items()}
    if isinstance(value, list):
        return [written(each) for each in value]
    return ("number", format(value, "f")) if isinstance(value, Decimal) else value


def plain(tenant: str = "default") -> PlainRenderer:
    codes = samples.mappings().codes
    renderer = PlainRenderer(codes, samples.BASE, tenant, UUID(int=0))
    # How the secret makes the namespace of patients is stated here, not looked up: it must never change.
    digest = sha256(b"patient|" + renderer.records.bytes + SECRET).digest()
    renderer.patients = UUID(bytes=digest[:16])
    return renderer


def compiled(tenant: str = "default") -> Renderer:
    return Renderer(samples.mappings().codes, base=samples.BASE, tenant=tenant, patient_secret=SECRET)


def same(entry: NodeEntry, drain: Drain, use: CollectorUse | None, renderer: Renderer | None = None) -> None:
    made = (renderer or compiled()).node(entry, drain, use)
    assert parsed(made) == written(plain().node(entry, drain, use))
    for resource, body in zip(made, parsed(made), strict=True):
        assert (resource.type, resource.id) == (body["resourceType"], body["id"])


ONE_RENDERER = compiled()


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_entry(data: st.DataObject) -> None:
    drain = data.draw(strategies.drains)
    entry = data.draw(strategies.entries(drain))
    profile = data.draw(st.none() | st.sampled_from(["adult-single", "infant", "powered"]))
    same(entry, drain, None if profile is None else samples.unit(profile), ONE_RENDERER)


READINGS = {
    "the reading of DESIGN 3": samples.read(),
    "corrected": samples.read(corrected=True),
    "by a device": samples.read(samples.reading(observer=samples.MONITOR), corrected=True),
    "preliminary": samples.read(
        interval=samples.interval(preliminary=True), total=samples.total(preliminary=True)
    ),
    "a lower bound": samples.read(
        interval=samples.interval(bound="at-least", deviation=None),
        total=samples.total(bound="at-least", net=Decimal(-10), deviation=None),
    ),
    "an unknown interval": samples.read(
        interval=samples.interval(
            output=None, bound="unknown", deviation=None, rate=None, rate_per_weight=None
        ),
        findings=(
            samples.finding(),
            samples.finding(),
            samples.finding("within-reading-tolerance", issue=False),
        ),
    ),
    "a long finding code": samples.read(findings=(samples.finding("suction-differs-from-prescribed"),)),
    "a first amount": samples.read(
        samples.reading(level=None, volume=Decimal(35)),
        connection=None,
        levels=(),
        interval=samples.interval(
            collector=None,
            chamber=None,
            start=None,
            levels=(),
            deviation=None,
            rate=None,
            rate_per_weight=None,
        ),
        total=samples.total(deviation=None, since=samples.at(7)),
    ),
    "a level set aside": samples.read(
        levels=(samples.level_at(samples.R1, 40, 7, used=False, why="Above the capacity."),),
        interval=None,
        total=None,
    ),
    "not read, not assessed": samples.read(
        samples.reading(
            level=None,
            level_not_read="foam",
            suction=Suction(indicator="not-assessed"),
            air_leak=AirLeak(pattern="not-assessed"),
            tidaling="not-assessed",
            patency="not-assessed",
            appearance=("serous", "clots"),
            note='Said "later"\n',
        ),
        levels=(),
        interval=None,
        total=None,
    ),
    "pinched, provoked, off the scale": samples.read(
        samples.reading(
            air_leak=AirLeak(grade=9, flow=Decimal(120), provoked="cough", test=PinchTest("tube 1", "stops"))
        ),
        dropped=("air_leak.grade",),
        leak_free_hours=Decimal("12.5"),
    ),
    "gravity": samples.read(samples.reading(suction=Suction(mode="gravity"))),
    "set, applied and measured": samples.read(
        samples.reading(
            suction=Suction(
                set=Decimal(-20), applied=Decimal("-19.5"), prescribed=Decimal(-20), indicator="reached"
            ),
            pressure=Decimal("4.2"),
            scale="suction",
        )
    ),
    "connected": samples.connected(),
    "sampled": samples.done("sampled", volume=Decimal(10), observer=samples.NURSE),
    "irrigated": samples.done("irrigated", volume=Decimal(50), note="warm"),
    "reinfused": samples.done("reinfused", collector="col-3"),
    "suction prescribed": samples.done("suction-prescribed", mode="suction", pressure=Decimal(-20)),
    "gravity prescribed": samples.done("suction-prescribed", mode="gravity"),
    "milked": samples.done("milked", findings=(samples.finding("milked-while-clamped"),)),
}


@pytest.mark.parametrize("name", READINGS)
@pytest.mark.parametrize("profile", ["adult-single", "powered"])
def test_table(name: str, profile: str) -> None:
    same(READINGS[name], samples.DRAIN, samples.unit(profile))


def test_waiting_gives_nothing_but_the_issues_that_it_raises() -> None:
    assert compiled().node(samples.read(status="waiting"), samples.DRAIN, samples.unit()) == []
    raised = samples.read(status="waiting", findings=(samples.finding("unit-change-not-charted"),))
    same(raised, samples.DRAIN, samples.unit())
    made = compiled().node(raised, samples.DRAIN, samples.unit())
    assert [resource.code or resource.type for resource in made] == ["unit-change-not-charted", "Provenance"]


def test_a_reading_of_the_shape_of_r1_gives_its_resources() -> None:
    made = compiled().node(samples.read(leak_free_hours=Decimal(1)), samples.DRAIN, samples.unit())
    assert [resource.code or resource.type for resource in made] == [
        "chamber-level",
        "interval-output",
        "output-rate",
        "output-rate-per-weight",
        "running-total",
        "suction-prescribed",
        "bubbling-pattern",
        "air-leak-grade",
        "time-since-air-leak",
        "tidaling",
        "fluid-appearance",
        "drain-panel",
        "Provenance",
    ]


def test_bodies_depend_on_the_entry_alone() -> None:
    """Whatever was rendered before, and by whichever renderer."""
    entry, other = samples.read(), samples.read(samples.reading(note="other"))
    used = compiled()
    used.node(other, msgspec.structs.replace(samples.DRAIN, label="2"), samples.unit("infant"))
    assert used.node(entry, samples.DRAIN, samples.unit()) == compiled().node(
        entry, samples.DRAIN, samples.unit()
    )
