"""Why a caller is not known. Apart from the code that finds out, which needs large libraries."""

from __future__ import annotations


class TokenRefused(Exception):
    """The token is not accepted. `reason` is for the log: a word or two, nothing of the token."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class KeysUnavailable(Exception):
    """No key set could be had, now or before."""
