"""What a validator found: one problem with one resource."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """`line` is the 1-based line of the input; `rule` names the check; `severity` is error or warning."""

    line: int
    rule: str
    message: str
    severity: str = "error"
    id: str | None = None
    resource_type: str | None = None
    path: str = ""

    def __str__(self) -> str:
        return (
            f"line {self.line} {self.resource_type}/{self.id}: {self.severity} [{self.rule}] {self.message}"
        )
