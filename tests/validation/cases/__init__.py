"""Kinds of bad record, each with the one problem that must be told."""

from __future__ import annotations

from typing import Final

from tests.validation.cases import bytes, events, fields, others, readings
from tests.validation.cases.case import Case

CASES: Final = [
    *bytes.BYTES,
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
