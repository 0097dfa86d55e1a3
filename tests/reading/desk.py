"""A directory of one drain on one unit, stated by hand, and records of what is read by it."""

from __future__ import annotations

from collections.abc import Collection
from itertools import count
from typing import Any

from drainledger.domain.records import Drain, Record
from drainledger.domain.validation import Parsed, parse
from drainledger.fhir import Renderer
from drainledger.fhir.reading import Desk, Named, Posted, Understood, read_entries
from tests.fhir import samples

Json = dict[str, Any]

RENDERER = Renderer(samples.mappings().codes, base=samples.BASE)
ROOT = "https://here.example/fhir/R4"


class Known:
    """`drains` by id, `on`: collector -> chamber -> drains."""

    def __init__(
        self,
        drains: dict[str, Drain] | None = None,
        on: dict[str, dict[str, Collection[str]]] | None = None,
        scales: Collection[str] = ("leak-grade-0-5",),
        devices: dict[str, Named] | None = None,
    ) -> None:
        self.drains = {samples.DRAIN.id: samples.DRAIN} if drains is None else drains
        self.on = {"col-3": {"A": ["drn-7"]}} if on is None else on
        self.scales = scales
        self.devices = {} if devices is None else devices

    def device(self, ident: str) -> Named | None:
        return self.devices.get(ident)

    def drain(self, drain: str) -> Drain | None:
        return self.drains.get(drain)

    def patient(self, drain: Drain) -> str:
        return RENDERER.ids.patient(drain.patient)

    def drains_on(self, collector: str, chamber: str | None) -> Collection[str]:
        chambers = self.on.get(collector, {})
        found = chambers.values() if chamber is None else [chambers.get(chamber, [])]
        return {drain for drains in found for drain in drains}

    def leak_scales(self, drain: str) -> Collection[str]:
        return self.scales


def desk(known: Known | None = None) -> Desk:
    return Desk(
        base=samples.BASE,
        vocabulary=RENDERER.vocabulary,
        units=samples.mappings().units,
        directory=known or Known(),
        roots=(ROOT,),
    )


def read_all(*posted: Posted, known: Known | None = None) -> list[Understood]:
    ids = count(1)
    return read_entries(posted, desk(known), lambda: f"new-{next(ids)}")


def read_one(resource: object, known: Known | None = None) -> Understood:
    (one,) = read_all(Posted(resource), known=known)
    return one


def record_of(resource: object, known: Known | None = None) -> Json:
    """The contract's record; what is read has to be understood."""
    one = read_one(resource, known)
    assert one.record is not None, one.faults
    return one.record


def judged(record: Json) -> Record:
    """As the contract reads it; nothing of it may be held or ignored."""
    outcome = parse(record, source="bedside", units=samples.mappings().units, received_at=None)
    assert isinstance(outcome, Parsed), outcome
    assert outcome.ignored == ()
    return outcome.record


def faults(resource: object, severity: str = "error", known: Known | None = None) -> list[tuple[str, str]]:
    """Code and expression of each fault of a severity."""
    one = read_one(resource, known)
    assert (one.record is None) == any(each.severity == "error" for each in one.faults)
    return [(each.code, each.expression) for each in one.faults if each.severity == severity]
