"""Records, versions and names as bytes and text, and back.

msgpack by field name, so that a field added later has its default in older rows. Decimals are text, instants exact to
the microsecond. A record's kind has a column of its own; the record inside a correction carries its kind beside it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime
from typing import Final

import msgspec
from msgspec import Raw, Struct
from msgspec.msgpack import Decoder, Encoder

from drainledger.domain.naming import Tie
from drainledger.domain.problems import Problem
from drainledger.domain.records import (
    Collector,
    Correction,
    Drain,
    Event,
    Key,
    Reading,
    Retraction,
    Statement,
)
from drainledger.domain.refolds import Journaled, Refold
from drainledger.domain.statements import Slot
from drainledger.store.rows import Part


class _Nested(Struct):
    """A statement inside a correction: JSON-like unions need a tag, and the domain's structs have none."""

    kind: str
    fields: Raw


class _StoredCorrection(Struct):
    key: Key
    corrects: Key
    made_at: datetime
    record: _Nested


_encoder = Encoder()
_statements: Final[dict[str, Decoder[Drain] | Decoder[Collector] | Decoder[Event] | Decoder[Reading]]] = {
    "drain": Decoder(Drain),
    "collector": Decoder(Collector),
    "event": Decoder(Event),
    "reading": Decoder(Reading),
}
_correction: Final = Decoder(_StoredCorrection)
_retraction: Final = Decoder(Retraction)
_refold: Final = Decoder(Refold)
_parts: Final = Decoder(dict[str, Part])
_bodies: Final = Decoder(dict[str, bytes])
_problems: Final = Decoder(tuple[Problem, ...])
_words: Final = Decoder(tuple[str, ...])


def encode_record(record: Journaled) -> bytes:
    """The record without its kind, which is `record.key.kind`."""
    if not isinstance(record, Correction):
        return _encoder.encode(record)
    nested = _Nested(record.record.key.kind, Raw(_encoder.encode(record.record)))
    return _encoder.encode(_StoredCorrection(record.key, record.corrects, record.made_at, nested))


def decode_record(kind: str, data: bytes) -> Journaled:
    """What `encode_record` was given. msgspec.MsgspecError or KeyError where the bytes are not that."""
    if kind == "correction":
        stored = _correction.decode(data)
        record = _statement(stored.record.kind, stored.record.fields)
        return Correction(key=stored.key, corrects=stored.corrects, made_at=stored.made_at, record=record)
    if kind == "refold":
        return _refold.decode(data)
    return _retraction.decode(data) if kind == "retraction" else _statement(kind, data)


def _statement(kind: str, data: bytes | Raw) -> Statement:
    return _statements[kind].decode(data)


def at_of(record: Journaled) -> datetime | None:
    """The instant that a record is about, where it is about one."""
    match record:
        case Event(at=at) | Reading(at=at):
            return at
        case Correction(made_at=made_at) | Retraction(made_at=made_at):
            return made_at
        case Drain(inserted_at=inserted_at):
            return inserted_at
    return None


def encode_parts(parts: Mapping[str, Part]) -> bytes:
    return _encoder.encode(parts)


def decode_parts(data: bytes) -> dict[str, Part]:
    return _parts.decode(data)


def encode_bodies(bodies: Mapping[str, bytes]) -> bytes:
    return _encoder.encode(bodies)


def decode_bodies(data: bytes) -> dict[str, bytes]:
    return _bodies.decode(data)


def encode_problems(problems: tuple[Problem, ...]) -> bytes:
    return _encoder.encode(problems)


def decode_problems(data: bytes) -> tuple[Problem, ...]:
    return _problems.decode(data)


def encode_words(words: tuple[str, ...]) -> bytes:
    return _encoder.encode(words)


def decode_words(data: bytes) -> tuple[str, ...]:
    return _words.decode(data)


def digest_of(body: bytes) -> bytes:
    """Tells one body from another: 16 bytes of BLAKE2b (RFC 7693)."""
    return hashlib.blake2b(body, digest_size=16).digest()


def held_digest(source: str, raw: bytes) -> bytes:
    """Tells whether the same source sent the same bytes before."""
    return hashlib.blake2b(raw, digest_size=16, key=hashlib.sha256(source.encode()).digest()).digest()


def split_id(fhir_id: str) -> tuple[str, str]:
    """A resource id as (what is before its first '.', the part after it or "")."""
    id_, _, part = fhir_id.partition(".")
    return id_, part


# No id holds an invisible character (domain/validation/text.py). PostgreSQL's text takes U+001F, but never U+0000.
_SEPARATOR: Final = "\x1f"


def store_name(name: Tie) -> Tie:
    """A name as its columns hold it."""
    return name[0], name[1].replace("\0", _SEPARATOR)


def join_slot(slot: Slot | None) -> str | None:
    return None if slot is None else _SEPARATOR.join(slot)


def split_slot(text: str | None) -> Slot | None:
    return None if text is None else Slot(*text.split(_SEPARATOR))


CodecError = (msgspec.MsgspecError, KeyError, TypeError, ValueError)
