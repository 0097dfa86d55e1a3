"""One decoded object to a record in normal form, or all the reasons why it is held."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Final, TypeAlias, cast

from drainledger.domain.quantities import Units
from drainledger.domain.records import Key, Record, RecordKind
from drainledger.domain.validation.amendment import key_of, parse_correction, parse_retraction
from drainledger.domain.validation.collector import parse_collector
from drainledger.domain.validation.context import Context
from drainledger.domain.validation.decode import decode
from drainledger.domain.validation.drain import parse_drain
from drainledger.domain.validation.event import parse_event
from drainledger.domain.validation.outcome import Outcome, Parsed, Refused
from drainledger.domain.validation.reading import parse_reading
from drainledger.domain.validation.subject import RECORD_KINDS, refuse
from drainledger.domain.validation.text import identifier, word
from drainledger.domain.validation.texts import problem, type_name

_Parser: TypeAlias = Callable[[Context, Mapping[str, Any], Key], Record | None]
_PARSERS: Final[dict[RecordKind, _Parser]] = {
    "drain": parse_drain,
    "collector": parse_collector,
    "event": parse_event,
    "reading": parse_reading,
    "correction": parse_correction,
    "retraction": parse_retraction,
}


def parse(raw: object, *, source: str, units: Units, received_at: datetime | None) -> Outcome:
    """`raw`, from `decode`, as a record of `source`. Never raises on content.

    `received_at` is an aware datetime; without one no time is in the future. Held (Refused) is only what is wrong in
    the record alone, with every problem found; what depends on other records is the ledger's matter.
    """
    if not isinstance(raw, dict):
        return Refused(None, None, None, (problem("not-an-object", "", found=type_name(raw)),))
    ctx = Context(units, source, received_at)
    record = _record(ctx, raw)
    if record is None or ctx.problems:
        return refuse(raw, ctx.problems, ctx.ignored)
    return Parsed(record, tuple(ctx.ignored))


def read(line: bytes, *, source: str, units: Units, received_at: datetime | None) -> Outcome:
    """`decode` and `parse` in one."""
    raw = decode(line)
    if isinstance(raw, Refused):
        return raw
    return parse(raw, source=source, units=units, received_at=received_at)


def _record(ctx: Context, raw: Mapping[str, Any]) -> Record | None:
    kind = raw.get("record")
    if kind is None:
        ctx.hold("missing-field", "/record")
    elif word(ctx, kind, "/record", RECORD_KINDS, "unknown-record"):
        ctx.subject = kind
    stated = raw.get("id")
    if stated is None:
        ctx.hold("missing-field", "/id")
    record_id = None if stated is None else identifier(ctx, stated, "/id")
    if ctx.subject not in _PARSERS:
        return None
    known = cast(RecordKind, kind)
    return _PARSERS[known](ctx, raw, key_of(known, ctx.source, record_id or ""))
