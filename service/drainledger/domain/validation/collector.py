"""The record of a collector (DESIGN 3)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from drainledger.domain.records import Collector, Key, Udi
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.shape import one_of, read_fields, read_object, shape
from drainledger.domain.validation.text import identifier, label, scanned
from drainledger.domain.validation.times import partial_date

_UDI: Final = shape(
    device_identifier=identifier,
    aidc=scanned,
    hrf=label,
    entry_type=one_of("barcode", "manual", "unknown"),
)


def _udi(ctx: Context, raw: Any, path: str) -> Udi | None:
    fields = read_object(ctx, raw, path, _UDI)
    return Udi(**fields) if fields else None


SHAPE: Final = shape(
    ("record", "id"),
    profile=identifier,
    serial=label,
    lot=label,
    made_on=partial_date,
    expires_on=partial_date,
    udi=_udi,
)
NEEDED: Final = ("profile",)


def parse_collector(ctx: Context, raw: Mapping[str, Any], key: Key) -> Collector | None:
    fields = read_fields(ctx, raw, SHAPE, NEEDED)
    return None if ctx.problems else Collector(key=key, **fields)
