"""Which of the offered media types a caller would have (RFC 9110, 12.5.1)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from drainledger.web.problems import Refusal


class _Range(NamedTuple):
    type: str
    subtype: str
    quality: float

    def fits(self, media_type: str) -> int:
        """How closely this range names the media type; 0 if it does not."""
        main, _, sub = media_type.partition("/")
        if self.type == "*":
            return 1
        if self.type != main:
            return 0
        return 2 if self.subtype == "*" else 3 if self.subtype == sub else 0


def choose(accept: str | None, offered: Sequence[str]) -> str:
    """The best of `offered` (the server's favourite first). Raises Refusal `not-acceptable`."""
    ranges = [_parsed(part) for part in (accept or "").split(",") if part.strip()] or [_Range("*", "*", 1)]
    best, quality = "", 0.0
    for media_type in offered:
        fitting = max(ranges, key=lambda one: one.fits(media_type))
        if fitting.fits(media_type) and fitting.quality > quality:
            best, quality = media_type, fitting.quality
    if not best:
        raise Refusal("not-acceptable", f"This can be had as {', '.join(offered)}.", parameter="Accept")
    return best


def _parsed(part: str) -> _Range:
    media, *parameters = (piece.strip().lower() for piece in part.split(";"))
    main, _, sub = media.partition("/")
    quality = next((piece[2:] for piece in parameters if piece.startswith("q=")), "1")
    return _Range(main, sub, _quality(quality))


def _quality(text: str) -> float:
    """A weight that can't be read counts as none given."""
    try:
        value = float(text)
    except ValueError:
        return 1.0
    return value if 0 <= value <= 1 else 1.0
