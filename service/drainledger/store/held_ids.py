"""Ids of held records: they sort by time of receipt and can't be guessed."""

from __future__ import annotations

import base64
import secrets
from datetime import datetime
from typing import Final

from drainledger.store.instants import to_micros

_RANDOM_BYTES: Final = 10


def new_held_ids(received_at: datetime, count: int) -> list[str]:
    """`count` ids in ascending order, each of 16 bytes for the place and 80 random bits, in base32 (RFC 4648 7)."""
    micros = to_micros(received_at).to_bytes(8, "big")
    return [
        _encode(micros + place.to_bytes(4, "big") + secrets.token_bytes(_RANDOM_BYTES))
        for place in range(count)
    ]


def _encode(data: bytes) -> str:
    """The hex alphabet of base32 keeps the order of the bytes."""
    return base64.b32hexencode(data).decode().rstrip("=").lower()
