"""What the reader of resources goes by: the site's codes and units, and a directory of what is known here."""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal, Protocol

from msgspec import Struct

from drainledger.domain.quantities import Units
from drainledger.domain.records import Drain
from drainledger.fhir.codes import Vocabulary


class Named(Struct, frozen=True):
    """What a Device or a DeviceMetric stands for: a drain or a collector by its record's id, perhaps one chamber."""

    kind: Literal["drain", "collector"]
    id: str
    chamber: str | None = None


class Directory(Protocol):
    """What is known of one tenant, asked as it is needed."""

    def device(self, ident: str) -> Named | None:
        """What a Device or DeviceMetric that is served here stands for, by its FHIR id."""

    def drain(self, drain: str) -> Drain | None:
        """The drain's record as it stands; None where none has come yet."""

    def patient(self, drain: Drain) -> str:
        """The FHIR id of the drain's Patient."""

    def drains_on(self, collector: str, chamber: str | None) -> Collection[str]:
        """The drains that were ever charted to a collector, or to one chamber of it."""

    def leak_scales(self, drain: str) -> Collection[str]:
        """Names of the leak meters' scales of the collectors that the drain was ever charted to."""


class Desk(Struct, frozen=True):
    """`base` is that of the local canonicals and of `sid`s; `roots` are the addresses under which FHIR is served."""

    base: str
    vocabulary: Vocabulary
    units: Units
    directory: Directory
    roots: tuple[str, ...] = ()

    def sid(self, kind: str) -> str:
        return f"{self.base}/sid/{kind}"
