"""One kind of bad record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple


class Case(NamedTuple):
    """What is sent, and the one problem that must be told: its code, where, and some of its words."""

    name: str
    record: bytes | Mapping[str, Any]
    code: str
    pointer: str
    says: str
