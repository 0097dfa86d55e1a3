"""Corrections and retractions (DESIGN 3)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from drainledger.domain.records import Correction, Key, RecordKind, Retraction, Statement
from drainledger.domain.validation.collector import parse_collector
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.drain import parse_drain
from drainledger.domain.validation.event import parse_event
from drainledger.domain.validation.reading import parse_reading
from drainledger.domain.validation.shape import Field, read_fields, shape
from drainledger.domain.validation.text import identifier, note, word
from drainledger.domain.validation.texts import shown, type_name
from drainledger.domain.validation.times import instant

Parser = Callable[[Context, Mapping[str, Any], Key], Statement | None]

STATEMENTS: Final[Mapping[RecordKind, Parser]] = {
    "drain": parse_drain,
    "collector": parse_collector,
    "event": parse_event,
    "reading": parse_reading,
}
_FINAL: Final = ("correction", "retraction")

CORRECTION: Final = shape(("record", "id", *STATEMENTS, *_FINAL), corrects=identifier, made_at=instant)


def key_of(kind: RecordKind, source: str, record_id: str) -> Key:
    """Drain and collector ids are the tenant's, all others the source's."""
    return Key(kind, "" if kind in ("drain", "collector") else source, record_id)


def parse_correction(ctx: Context, raw: Mapping[str, Any], key: Key) -> Correction | None:
    fields = read_fields(ctx, raw, CORRECTION, ("corrects", "made_at"))
    finals = [kind for kind in _FINAL if raw.get(kind) is not None]
    for kind in finals:
        ctx.hold("final-record", f"/{kind}", kind=kind)
    kinds = [kind for kind in STATEMENTS if raw.get(kind) is not None]
    if not kinds and not finals:
        ctx.hold("nothing-corrected", "")
    if len(kinds) > 1:
        ctx.hold("two-records", f"/{kinds[1]}")
    if len(kinds) != 1:
        return None
    target = key_of(kinds[0], ctx.source, fields.get("corrects") or "")
    record = _inner(ctx, raw[target.kind], target)
    if ctx.problems or record is None:
        return None
    return Correction(key=key, corrects=target, made_at=fields["made_at"], record=record)


def _inner(ctx: Context, raw: Any, target: Key) -> Statement | None:
    """The record inside, which may leave out `record` and `id`."""
    path = f"/{target.kind}"
    if not isinstance(raw, dict):
        ctx.hold("wrong-type", path, wanted="an object", found=type_name(raw))
        return None
    if raw.get("record") not in (None, target.kind):
        stated = raw["record"]
        said = shown(stated) if isinstance(stated, str) else type_name(stated)
        ctx.hold("kind-mismatch", f"{path}/record", shown=said, kind=target.kind)
    if target.id and raw.get("id") not in (None, target.id):
        ctx.hold("corrects-another-id", f"{path}/id")
    subject, ctx.base, ctx.subject = ctx.subject, path, target.kind
    assert target.kind != "refold", "no source sends one"
    record = STATEMENTS[target.kind](ctx, raw, target)
    ctx.base, ctx.subject = "", subject
    return record


def _target_kind(ctx: Context, raw: Any, path: str) -> str | None:
    if raw in _FINAL:
        ctx.hold("final-record", path, kind=raw)
        return None
    return word(ctx, raw, path, tuple(STATEMENTS))


RETRACTION: Final = {
    **shape(("record", "id"), retracts=identifier, made_at=instant, reason=note),
    "kind": Field("target_kind", _target_kind, "/kind"),
}


def parse_retraction(ctx: Context, raw: Mapping[str, Any], key: Key) -> Retraction | None:
    fields = read_fields(ctx, raw, RETRACTION, ("retracts", "made_at"))
    return None if ctx.problems else Retraction(key=key, **fields)
