"""The record of a drain (DESIGN 3)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from drainledger.domain.records import Drain, Key
from drainledger.domain.validation.common import reads
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.quantity import mass
from drainledger.domain.validation.shape import business_identifier, one_of, read_fields, shape
from drainledger.domain.validation.text import identifier, label
from drainledger.domain.validation.texts import type_name
from drainledger.domain.validation.times import duration, instant, time_zone

_MOST_JOINED: Final = 16


def _joins(ctx: Context, raw: Any, path: str) -> tuple[str, ...] | None:
    """The joined drains' ids, sorted: their order says nothing."""
    if not isinstance(raw, list):
        ctx.hold("wrong-type", path, wanted="a list of drain ids", found=type_name(raw))
        return None
    if len(raw) > _MOST_JOINED:
        ctx.hold("too-many", path, length=len(raw), limit=_MOST_JOINED)
        return None
    ids = [identifier(ctx, item, f"{path}/{index}") for index, item in enumerate(raw)]
    named = sorted(item for item in ids if item is not None)
    if len(named) == len(ids) and (len(named) < 2 or len(set(named)) != len(named)):
        ctx.hold("bad-joins", path)
    return tuple(named)


SHAPE: Final = shape(
    ("record", "id"),
    patient=business_identifier,
    label=label,
    kind=one_of("pleural", "mediastinal", "pericardial", "other"),
    side=one_of("left", "right", "midline"),
    inserted_at=instant,
    weight=mass,
    ward=label,
    encounter=business_identifier,
    reads_every=duration,
    reads=reads,
    time_zone=time_zone,
    joins=_joins,
)
NEEDED: Final = ("patient", "time_zone")


def parse_drain(ctx: Context, raw: Mapping[str, Any], key: Key) -> Drain | None:
    fields = read_fields(ctx, raw, SHAPE, NEEDED)
    if key.id and key.id in (fields.get("joins") or ()):
        ctx.hold("bad-joins", "/joins")
    return None if ctx.problems else Drain(key=key, **fields)
