"""Validators of views: ETag and If-None-Match (RFC 9110, 8.8.3 and 13.1.2)."""

from __future__ import annotations

import hashlib
import re

_ENTITY_TAG = re.compile(r'(?:W/)?("[\x21\x23-\x7e\x80-\xff]*")')


def of_bytes(body: bytes) -> str:
    """A strong validator of these very bytes, with its quotes."""
    return f'"{hashlib.blake2b(body, digest_size=16).hexdigest()}"'


def of_text(*parts: str) -> str:
    """A strong validator of what the parts together name, such as a view and its form."""
    return of_bytes("\0".join(parts).encode())


def matches(if_none_match: str | None, etag: str) -> bool:
    """Whether the caller has this already; compared weakly, as the RFC says for If-None-Match."""
    if if_none_match is None:
        return False
    return if_none_match.strip() == "*" or etag in _ENTITY_TAG.findall(if_none_match)
