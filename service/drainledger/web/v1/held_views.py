"""Held records as `/v1` shows them: the very bytes, and why they are held."""

from __future__ import annotations

import base64

from drainledger.store.rows import HeldRow
from drainledger.web.v1 import shapes


def held_view(row: HeldRow, *, with_bytes: bool = True) -> shapes.HeldView:
    """`with_bytes` False: for who may not operate, what became of it and why, and not what it said."""
    text, packed = as_text(row.raw) if with_bytes else (None, None)
    return shapes.HeldView(
        held_id=row.held_id,
        state=row.state,
        received_at=row.received_at.isoformat(),
        source=row.source,
        record=row.record_id,
        drain=row.drain,
        problems=list(row.problems),
        raw=text,
        raw_base64=packed,
        replayed_as=row.replayed_as,
        reason=row.reason,
        closed_by=row.closed_by,
    )


def as_text(raw: bytes) -> tuple[str | None, str | None]:
    """Bytes as text, or, where they are none, as base64."""
    try:
        return raw.decode(), None
    except UnicodeDecodeError:
        return None, base64.b64encode(raw).decode()
