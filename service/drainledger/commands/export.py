"""`drainledger export`: files for those who work elsewhere; a module of this package for each kind of file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drainledger.commands.common import MappingsOption, SettingsOption, settings_with, told
from drainledger.convert.settings import Fhir

PackageOption = Annotated[
    Path | None,
    typer.Option(
        "--package", metavar="FILE.tgz", help="Write the conformance resources as a FHIR NPM package."
    ),
]
FhirOption = Annotated[Fhir, typer.Option("--fhir", help="FHIR version of what is written.")]
BaseOption = Annotated[
    str | None,
    typer.Option(
        "--base", metavar="URL", help="Where the local canonicals live, instead of the setting base."
    ),
]


def export(
    package: PackageOption = None,
    fhir: FhirOption = "R4",
    base: BaseOption = None,
    mappings: MappingsOption = None,
    settings: SettingsOption = None,
) -> None:
    """Write a package of the conformance resources for other programs.

    \b
    Example:
      drainledger export --package drainledger-r4.tgz --fhir R4
    """
    if package is None:
        raise typer.BadParameter("say what to write: --package FILE.tgz", param_hint="--package")
    from drainledger.commands.packages import write_package

    with told():
        write_package(package, fhir, settings_with(settings, base=base, mappings=mappings))
    typer.echo(f"{package} is written", err=True)
