"""mappings/windows.toml: the charted windows of a day, and the grace of a handover reading."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Annotated

from pydantic import Field

from drainledger.domain.collectors import WindowSpec
from drainledger.mapping.errors import Fault
from drainledger.mapping.files import Clock, Model, Slug


class WindowTable(Model):
    name: Slug
    start: Clock
    end: Clock


class WindowsFile(Model):
    grace_minutes: Annotated[int, Field(strict=True, ge=0, le=120)]
    windows: tuple[WindowTable, ...]

    def specs(self) -> tuple[WindowSpec, ...]:
        return tuple(WindowSpec(window.name, window.start, window.end) for window in self.windows)

    def grace(self) -> timedelta:
        return timedelta(minutes=self.grace_minutes)


def check(content: WindowsFile) -> Iterator[Fault]:
    seen: set[str] = set()
    for place, window in enumerate(content.windows):
        if window.name in seen:
            yield Fault(("windows", place, "name"), "is the name of an earlier window too")
        seen.add(window.name)
