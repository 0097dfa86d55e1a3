"""Any record that the types allow, by hypothesis: more than validation would let in."""

from __future__ import annotations

import functools
import types
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy
from msgspec import Struct

from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Record,
    RecordKind,
    Retraction,
)

_texts = st.text(st.characters(codec="utf-8"), max_size=12)
_decimals = st.decimals(
    allow_nan=False, allow_infinity=False, places=3, min_value=-(10**17), max_value=10**17
)
#: The years that validation lets in.
_instants = st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31), timezones=st.just(UTC))  # noqa: DTZ001 - bounds bear no zone
_durations = st.timedeltas(timedelta(microseconds=1), timedelta(days=4000))


def records() -> SearchStrategy[Record]:
    """Every kind alike."""
    return st.one_of(*map(_struct, (Drain, Collector, Event, Reading, Correction, Retraction)))


def _struct(type_: type[Any]) -> SearchStrategy[Any]:
    hints = get_type_hints(type_)
    if "key" in hints:
        hints |= {"key": _key(type_.__name__.lower())}
    fields = {
        name: hint if isinstance(hint, SearchStrategy) else _strategy(hint) for name, hint in hints.items()
    }
    return st.fixed_dictionaries(fields).map(lambda values: type_(**values))


def _key(kind: str) -> SearchStrategy[Key]:
    return st.builds(lambda source, id_: Key(kind, source, id_), _texts, _texts)  # type: ignore[arg-type]  # one of the kinds


@functools.cache
def _strategy(hint: Any) -> SearchStrategy[Any]:
    plain = {
        str: _texts,
        Decimal: _decimals,
        datetime: _instants,
        timedelta: _durations,
        int: st.integers(-9, 99),
    }
    if hint in plain:
        return plain[hint]
    if hint is type(None):
        return st.none()
    if hint is Key:
        return st.sampled_from(get_args(RecordKind)).flatmap(_key)
    origin, args = get_origin(hint), get_args(hint)
    if origin is Literal:
        return st.sampled_from(args)
    if origin in (Union, types.UnionType):
        return st.one_of(*map(_strategy, args))
    if origin is tuple:
        return st.lists(_strategy(args[0]), max_size=3).map(tuple)
    if isinstance(hint, type) and issubclass(hint, Struct):
        return _struct(hint)
    raise TypeError(f"no strategy for {hint}")
