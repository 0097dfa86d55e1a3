"""Kinds of bad record, each with the one problem that must be told."""

from __future__ import annotations

from typing import Final

from tests.validation.cases import events, fields, others, raw_bytes, readings
from tests.validation.cases.case import Case

CASES: Final = [
    *raw_bytes.BYTES,
    *fields.ENVELOPE,
    *fields.TIMES,
    *fields.QUANTITIES,
    *readings.READINGS,
    *events.EVENTS,
    *others.DRAINS,
    *others.COLLECTORS,
    *others.AMENDMENTS,
]

__all__ = ["CASES", "Case"]
