"""The plain way to do the same job: the standard JSON reader, pint for every value, a model of fhir.resources for every
resource. It shares the arithmetic, which is not what is compared."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from decimal import Decimal
from hashlib import sha256
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

import pint

from drainledger.convert.settings import BASE
from drainledger.domain.book import load
from drainledger.domain.quantities import Units, plain, quantize
from drainledger.domain.validation import Parsed, parse
from tests.fhir.reference import PlainRenderer, as_models
from tests.journals.books import SOURCE, mappings

_SPELLED = {"mL": "milliliter", "cm[H2O]": "centimeter_H2O", "kg": "kilogram"}


class PintUnits(Units):
    """A pint conversion for each value."""

    def __init__(self) -> None:
        super().__init__({})
        self._pint: pint.UnitRegistry[Any] = pint.UnitRegistry(non_int_type=Decimal)

    def _to(self, value: Decimal, unit: str, target: str, step: str) -> Decimal:
        converted = self._pint.Quantity(value, _SPELLED[unit]).to(target).magnitude
        return plain(quantize(Decimal(converted), Decimal(step)))

    def volume(self, value: Decimal, unit: str) -> Decimal:
        return self._to(value, unit, "milliliter", "0.1")

    def pressure(self, value: Decimal, unit: str) -> Decimal:
        return self._to(value, unit, "centimeter_H2O", "0.1")

    def mass(self, value: Decimal, unit: str) -> Decimal:
        return self._to(value, unit, "kilogram", "0.001")


def plainly(lines: Sequence[bytes], tenant: str = "t") -> Iterator[bytes]:
    """NDJSON lines to the JSON of each reading's and event's resources."""
    units = PintUnits()
    records = []
    for text in lines:
        raw: Any = json.loads(text, parse_float=Decimal)
        outcome = parse(raw, source=SOURCE, units=units, received_at=None)
        assert isinstance(outcome, Parsed), outcome
        records.append(outcome.record)
    book = load(records, mappings().rules)
    uses = {use.collector.id: use for use in book.collectors()}
    tenant_space = uuid5(uuid5(NAMESPACE_URL, BASE), f"tenant|{tenant}")
    patients = UUID(bytes=sha256(b"patient|" + tenant_space.bytes).digest()[:16])
    renderer = PlainRenderer(mappings().codes, BASE, tenant, patients)
    for drain_id in book.drain_ids():
        ledger = book.ledger(drain_id)
        assert ledger is not None
        for entry in ledger.nodes:
            use = uses.get(entry.connection.collector) if entry.connection is not None else None
            for model in as_models(renderer.node(entry, ledger.drain, use)):
                yield model.model_dump_json(exclude_none=True).encode()
