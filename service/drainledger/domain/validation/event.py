"""Something done to a drain or its collector (DESIGN 3 'Events')."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from drainledger.domain.records import ChamberLevels, Event, Key
from drainledger.domain.validation.common import observer, reads, suction_mode, suction_pressure
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.pointer import token
from drainledger.domain.validation.quantity import level, mass, volume
from drainledger.domain.validation.shape import read_fields, read_object, shape
from drainledger.domain.validation.text import identifier, is_id, note, word
from drainledger.domain.validation.texts import number, type_name
from drainledger.domain.validation.times import instant

_MOST_CHAMBERS: Final = 16
_LEVELS: Final = ("start_level", "final_level", "level_before", "level_after")
#: Amounts that are never dropped unseen when they stand on an event that has no place for them.
_AMOUNTS: Final = (*_LEVELS, "levels", "volume", "weight")


class Rule(NamedTuple):
    """What a kind of event needs beyond `at`, and which amounts it takes, `by_chamber` where it names no drain."""

    needs: tuple[str, ...] = ("drain",)
    takes: tuple[str, ...] = ()
    by_chamber: tuple[str, ...] = ()


RULES: Final[Mapping[str, Rule]] = {
    "connected": Rule(("drain", "collector"), ("start_level",)),
    "replaced": Rule(("collector",), ("final_level", "start_level"), ("final_level", "start_level")),
    "disconnected": Rule(takes=("final_level",)),
    "removed": Rule(takes=("final_level",)),
    "tipped": Rule((), ("level_before", "level_after"), ("level_before", "level_after")),
    "emptied": Rule(takes=("level_before", "level_after")),
    "sampled": Rule(("drain", "volume"), ("volume",)),
    "reinfused": Rule(takes=("volume",)),
    "irrigated": Rule(("drain", "volume"), ("volume",)),
    "clamped": Rule(),
    "unclamped": Rule(),
    "milked": Rule(),
    "vented": Rule(),
    "suction-prescribed": Rule(("drain", "mode")),
    "weighed": Rule(("drain", "weight"), ("weight",)),
}
#: Where a kind may name the collector instead of a drain: the field that does.
_INSTEAD: Final = {"tipped": "collector", "replaced": "from_collector"}
_KINDS: Final = tuple(RULES)
#: Fields, no amounts, that only these kinds use.
_MEANT_FOR: Final = {
    "reads": ("connected", "replaced"),
    "from_collector": ("replaced",),
    "mode": ("suction-prescribed",),
    "pressure": ("suction-prescribed",),
}


def _kind(ctx: Context, raw: Any, path: str) -> str | None:
    return word(ctx, raw, path, _KINDS, "unknown-event")


_CHAMBER: Final = shape(start_level=level, final_level=level, level_before=level, level_after=level)


def _levels(ctx: Context, raw: Any, path: str) -> tuple[ChamberLevels, ...] | None:
    """Levels by chamber, in the order of the chambers' names."""
    if not isinstance(raw, dict):
        ctx.hold("wrong-type", path, wanted="an object with a chamber for each name", found=type_name(raw))
        return None
    if len(raw) > _MOST_CHAMBERS:
        ctx.hold("too-many", path, length=len(raw), limit=_MOST_CHAMBERS)
        return None
    found = []
    for chamber in sorted(raw):
        here = f"{path}/{token(chamber)}"
        fields = read_object(ctx, raw[chamber], here, _CHAMBER)
        if is_id(chamber):
            found.append(ChamberLevels(chamber, **(fields or {})))
        else:
            identifier(ctx, chamber, here)
    return tuple(found)


SHAPE: Final = shape(
    ("record", "id"),
    kind=_kind,
    at=instant,
    drain=identifier,
    collector=identifier,
    from_collector=identifier,
    chamber=identifier,
    reads=reads,
    start_level=level,
    final_level=level,
    level_before=level,
    level_after=level,
    levels=_levels,
    volume=volume,
    mode=suction_mode,
    pressure=suction_pressure,
    weight=mass,
    recorded_at=instant,
    observer=observer,
    note=note,
)
NEEDED: Final = ("kind", "at")


def parse_event(ctx: Context, raw: Mapping[str, Any], key: Key) -> Event | None:
    fields = read_fields(ctx, raw, SHAPE, NEEDED)
    kind = fields.get("kind")
    if kind is not None:
        _leave_out(ctx, kind, fields)
        _check_kind(ctx, raw, kind, fields)
    return None if ctx.problems else Event(key=key, **fields)


def _leave_out(ctx: Context, kind: str, fields: dict[str, Any]) -> None:
    """Fields that mean nothing on this kind of event are answered as ignored, like those that nobody knows."""
    for name, kinds in _MEANT_FOR.items():
        if name in fields and kind not in kinds:
            del fields[name]
            ctx.ignore("", name, ())


def _check_kind(ctx: Context, raw: Mapping[str, Any], kind: str, fields: Mapping[str, Any]) -> None:
    rule = RULES[kind]
    for name in rule.needs:
        if raw.get(name) is None:
            ctx.hold("missing-field", f"/{name}")
    instead = _INSTEAD.get(kind)
    by_chamber = instead is not None and raw.get("drain") is None
    if by_chamber and raw.get(str(instead)) is None:
        ctx.hold("no-drain-or-collector", "/drain", alternative=f", or the unit ({instead})")
    takes = ("levels",) if by_chamber else rule.takes
    for name in _AMOUNTS:
        if name not in takes and raw.get(name) is not None:
            ctx.hold("field-not-for-event", f"/{name}", kind=kind, advice=_advice(kind, takes, by_chamber))
    if by_chamber:
        _check_chambers(ctx, raw.get("levels"), kind, rule)
    pressure = fields.get("pressure")
    if fields.get("mode") == "gravity" and pressure:
        ctx.hold("gravity-with-pressure", "/pressure", value=number(pressure))


def _check_chambers(ctx: Context, levels: Any, kind: str, rule: Rule) -> None:
    if not isinstance(levels, dict):
        return
    for chamber, stated in levels.items():
        if not isinstance(stated, dict):
            continue
        for name in _LEVELS:
            if name not in rule.by_chamber and stated.get(name) is not None:
                advice = _advice(kind, rule.by_chamber, False)
                path = f"/levels/{token(chamber)}/{name}"
                ctx.hold("field-not-for-event", path, kind=kind, advice=advice)


def _advice(kind: str, takes: tuple[str, ...], by_chamber: bool) -> str:
    if by_chamber:
        return "Without a drain, say which chamber: put the levels under levels, by chamber."
    if not takes:
        return "Chart it as a reading, or as the event that it belongs to."
    return f"It takes {' and '.join(takes)}; chart anything else as a reading or as the event that it belongs to."
