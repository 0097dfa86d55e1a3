"""What `Stored.wire` gives in R4, for many at once: the bytes emitted, with meta.versionId and meta.lastUpdated. A test holds both to the same bytes."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

_META: Final = b'"meta":{'
_ID: Final = b'"id":"'
_ISSUED: Final = b'"issued":"'


class Splicer:
    """Remembers how the last instant is written: what came in one commit comes together."""

    def __init__(self) -> None:
        self._updated: datetime | None = None
        self._issued = b""
        self._text = b""

    def line(self, body: bytes, version: int, updated: datetime) -> bytes:
        """`body` is R4 as it was emitted, `updated` when its row was received."""
        found = body.find(_ISSUED)
        issued = body[found + 10 : body.index(b'"', found + 10)] if found >= 0 else b""
        if issued != self._issued or updated is not self._updated:
            self._updated, self._issued, self._text = updated, issued, _written(issued, updated)
        place = body.find(_META)
        if place < 0:
            place = body.index(b'",', body.index(_ID) + 6) + 2
            return b'%b"meta":{"versionId":"%d","lastUpdated":"%b"},%b' % (
                body[:place],
                version,
                self._text,
                body[place:],
            )
        place += 8
        return (
            b'%b"versionId":"%d","lastUpdated":"%b"%b%b'
            % (
                body[:place],
                version,
                self._text,
                b"" if body[place] == 0x7D else b",",  # an empty meta ends here
                body[place:],
            )
        )


def _written(issued: bytes, updated: datetime) -> bytes:
    """As `issued` writes the instant where it is the same one, else in UTC (rest.stored.Stored.last_updated)."""
    if issued and datetime.fromisoformat(issued.decode()) == updated:
        return issued
    return updated.astimezone(UTC).isoformat().encode()
