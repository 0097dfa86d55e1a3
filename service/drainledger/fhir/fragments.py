"""The small texts that bodies are joined from: JSON strings and times, each made once and kept.

Rendering joins text instead of building and encoding objects: a body costs a microsecond or two that way. The plain
objects in tests/fhir/reference.py prove that the texts say the same.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any
from urllib.parse import quote as percent_encode
from zoneinfo import ZoneInfo

import msgspec

#: Kept texts of one kind before the store is emptied: bounds the memory, not the output.
KEPT = 16_384

#: Decimals are written as they are: 40.0 is not 40 (R4 datatypes.html#decimal).
_encoder = msgspec.json.Encoder(decimal_format="number")


def encode(value: Any) -> bytes:
    """Plain data as JSON, Decimals as numbers of the precision they have."""
    return _encoder.encode(value)


#: White space that FHIR's `string` and `markdown` don't take ([ \r\n\t\S]+, R4 datatypes.html#string).
_ODD_SPACE = re.compile(r"[^\S \r\n\t]")


def words(text: str) -> str:
    """Free text as FHIR takes it: spaces of other widths, which nobody sees, become plain ones."""
    return _ODD_SPACE.sub(" ", text)


def uri(text: str) -> str:
    """An identifier's system as FHIR takes it: a URI holds no white space (R4 datatypes.html#uri)."""
    return re.sub(r"\s", lambda found: percent_encode(found.group()), text)


@lru_cache(maxsize=KEPT)
def quote(text: str) -> str:
    """Free text as a JSON string, quotes included."""
    return _encoder.encode(words(text)).decode()


class TimeTexts:
    """Instants as FHIR dateTimes with the offset of one IANA zone.

    Seconds always, a fraction only where there is one (R4 datatypes.html#dateTime). An offset that isn't whole minutes
    (local mean time, before zones) can't be written: such an instant is written in UTC.
    """

    def __init__(self, zone: str) -> None:
        self.zone = ZoneInfo(zone)
        self._texts: dict[datetime, str] = {}

    def __call__(self, at: datetime) -> str:
        text = self._texts.get(at)
        if text is None:
            if len(self._texts) >= KEPT:
                self._texts.clear()
            text = self._texts[at] = self._write(at)
        return text

    def _write(self, at: datetime) -> str:
        local = at.astimezone(self.zone)
        offset = local.utcoffset()
        if offset is None or offset % timedelta(minutes=1):
            local = at.astimezone(UTC)
        return local.isoformat()
