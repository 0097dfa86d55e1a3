"""What would take too much work."""

from __future__ import annotations


class TooCostly(Exception):
    """`what` would need more work than one call may take; `instead` says what to ask for."""

    def __init__(self, what: str, instead: str) -> None:
        super().__init__(what)
        self.what = what
        self.instead = instead

    def __str__(self) -> str:
        return f"{self.what} would take too much work: ask for {self.instead}."
