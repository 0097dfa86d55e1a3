"""What somebody or a device read at one instant (DESIGN 3 'Readings')."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from drainledger.domain.records import AirLeak, Key, PinchTest, Reading, Suction
from drainledger.domain.validation.common import check_sign, observer, suction_mode
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.quantity import flow, grade, level, pressure, swing, volume
from drainledger.domain.validation.shape import one_of, read_fields, read_object, remembered, shape
from drainledger.domain.validation.text import identifier, note, word
from drainledger.domain.validation.texts import type_name
from drainledger.domain.validation.times import instant

APPEARANCES: Final = (
    *(
        "serous",
        "serosanguineous",
        "sanguineous",
        "purulent",
        "chylous",
        "clots",
        "air-only",
        "none",
        "other",
    ),
)
_PRESENCE: Final = ("present", "absent", "not-assessed")
#: A reading carries a measurement when it states one of these.
_MEASURED: Final = (
    *("level", "volume", "counter", "level_not_read", "suction", "pressure", "air_leak"),
    *("tidaling", "patency", "appearance"),
)

_SUCTION: Final = shape(
    mode=suction_mode,
    prescribed=pressure,
    set=pressure,
    applied=pressure,
    indicator=one_of("reached", "not-reached", "not-assessed"),
)


def _suction(ctx: Context, raw: Any, path: str) -> Suction | None:
    fields = read_object(ctx, raw, path, _SUCTION)
    if not fields:
        return None
    if fields.get("mode") != "gravity":
        for name in ("prescribed", "set", "applied"):
            check_sign(ctx, raw.get(name), f"{path}/{name}", fields.get(name))
    return Suction(**fields)


_TEST: Final = shape(pinched=note, bubbling=one_of("stops", "persists"))


def _pinch_test(ctx: Context, raw: Any, path: str) -> PinchTest | None:
    fields = read_object(ctx, raw, path, _TEST, ("pinched", "bubbling"))
    if fields is None:
        return None
    if fields["pinched"] is None:
        ctx.hold("empty-text", f"{path}/pinched")
        return None
    return PinchTest(**fields)


_AIR_LEAK: Final = shape(
    grade=grade,
    flow=flow,
    pattern=one_of("none", "intermittent", "continuous", "not-assessed"),
    provoked=one_of("cough"),
    test=_pinch_test,
)


def _air_leak(ctx: Context, raw: Any, path: str) -> AirLeak | None:
    fields = read_object(ctx, raw, path, _AIR_LEAK)
    return AirLeak(**fields) if fields else None


_TIDALING: Final = shape(state=one_of(*_PRESENCE), swing=swing)


def _tidaling(ctx: Context, raw: Any, path: str) -> tuple[str, Any] | None:
    """The word and the swing, however it was sent."""
    if not isinstance(raw, dict):
        state = word(ctx, raw, path, _PRESENCE)
        return None if state is None else (state, None)
    fields = read_object(ctx, raw, path, _TIDALING, ("state",))
    return None if fields is None else (fields["state"], fields.get("swing"))


def _appearance(ctx: Context, raw: Any, path: str) -> tuple[str, ...] | None:
    """The words, each once and in the order of the list: a set says the same in any order."""
    if not isinstance(raw, list):
        ctx.hold("wrong-type", path, wanted='a list of words, as in ["serous"]', found=type_name(raw))
        return None
    if len(raw) > 2 * len(APPEARANCES):
        ctx.hold("too-many", path, length=len(raw), limit=2 * len(APPEARANCES))
        return None
    words = [word(ctx, item, f"{path}/{index}", APPEARANCES) for index, item in enumerate(raw)]
    return tuple(known for known in APPEARANCES if known in words)


SHAPE: Final = shape(
    ("record", "id"),
    drain=identifier,
    at=instant,
    collector=identifier,
    level=level,
    volume=volume,
    from_=instant,
    counter=level,
    level_not_read=one_of("foam", "covered", "tilted"),
    suction=remembered("suction", _suction),
    pressure=pressure,
    air_leak=remembered("air_leak", _air_leak),
    tidaling=_tidaling,
    patency=one_of("patent", "obstructed", "not-assessed"),
    appearance=remembered("appearance", _appearance),
    scale=one_of("gravity", "suction"),
    recorded_at=instant,
    observer=observer,
    note=note,
)
NEEDED: Final = ("drain", "at")


def parse_reading(ctx: Context, raw: Mapping[str, Any], key: Key) -> Reading | None:
    fields = read_fields(ctx, raw, SHAPE, NEEDED)
    _check_amount(ctx, raw)
    _check_period(ctx, raw, fields)
    if ctx.problems:
        return None
    tidaling = fields.pop("tidaling", None)
    if tidaling is not None:
        fields["tidaling"], fields["swing"] = tidaling
    elif all(fields.get(name) in (None, ()) for name in _MEASURED):
        ctx.hold("no-measurement", "")
        return None
    return Reading(key=key, **fields)


def _check_amount(ctx: Context, raw: Mapping[str, Any]) -> None:
    counter, others = raw.get("counter"), [name for name in ("level", "volume") if raw.get(name) is not None]
    if counter is not None and others:
        ctx.hold("two-amounts", "/counter", other=others[0])
    if raw.get("level_not_read") is not None and (counter is not None or raw.get("level") is not None):
        other = "counter" if counter is not None else "level"
        ctx.hold("level-and-not-read", "/level_not_read", other=other)


def _check_period(ctx: Context, raw: Mapping[str, Any], fields: dict[str, Any]) -> None:
    start, end = fields.get("from_"), fields.get("at")
    if start is None:
        return
    if raw.get("volume") is None:
        del fields["from_"]
        ctx.ignore("", "from", ("volume",))
    elif end is not None and start >= end:
        ctx.hold("from-not-before-at", "/from")
