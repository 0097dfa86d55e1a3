"""What readings and events share."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from drainledger.domain.records import Observer
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.quantity import pressure, sent
from drainledger.domain.validation.shape import Reader, one_of, read_object, remembered, shape
from drainledger.domain.validation.text import identifier

reads: Final[Reader] = one_of("level", "volume", "counter")
suction_mode: Final[Reader] = one_of("suction", "gravity")

_OBSERVER: Final = shape(kind=one_of("practitioner", "device"), value=identifier, system=identifier)


def _observer(ctx: Context, raw: Any, path: str) -> Observer | None:
    fields = read_object(ctx, raw, path, _OBSERVER, ("kind", "value"))
    return None if fields is None else Observer(**fields)


observer: Final[Reader] = remembered("observer", _observer)


def check_sign(ctx: Context, raw: Any, path: str, value: Decimal | None) -> Decimal | None:
    """Suction is below atmosphere: a positive one lost its sign, or is no suction."""
    if value is None or value <= 0:
        return value
    ctx.hold("suction-sign", path, **sent(raw))
    return None


def suction_pressure(ctx: Context, raw: Any, path: str) -> Decimal | None:
    """cm[H2O], not above zero."""
    return check_sign(ctx, raw, path, pressure(ctx, raw, path))
