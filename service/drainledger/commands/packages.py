"""The conformance resources as a package in a file."""

from __future__ import annotations

from pathlib import Path

from drainledger.convert.output import write_whole
from drainledger.convert.settings import Fhir
from drainledger.settings import Settings


def write_package(file: Path, fhir: Fhir, settings: Settings) -> None:
    """A file that appears whole or not at all. Raises MappingError, UnwritableOutput."""
    from drainledger.fhir.package import package
    from drainledger.mapping import load_mappings

    write_whole(file, package(load_mappings(settings.mappings).codes, settings.base, fhir))
