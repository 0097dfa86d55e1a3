"""Instants as whole microseconds since 1970, UTC: what both engines keep exactly, and sort."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TICK = timedelta(microseconds=1)


def to_micros(instant: datetime) -> int:
    """Exact. TypeError where the instant has no zone."""
    return (instant - _EPOCH) // _TICK


def from_micros(micros: int) -> datetime:
    """In UTC."""
    return _EPOCH + timedelta(microseconds=micros)


def after(instant: datetime) -> datetime:
    """The next instant that can be told apart."""
    return instant + _TICK
