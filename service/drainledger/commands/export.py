"""`drainledger export`: files for those who work elsewhere; a module of this package for each kind of file."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from drainledger.commands.common import DatabaseOption, MappingsOption, SettingsOption, settings_with, told
from drainledger.convert.settings import BASE, Fhir

if TYPE_CHECKING:
    from drainledger.commands.tables import Asked

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


TableOption = Annotated[
    Literal["intervals", "totals", "windows", "window-nets", "checks"] | None,
    typer.Option("--table", help="Write this table, a row an Observation."),
]
ToOption = Annotated[Literal["parquet", "csv"], typer.Option("--to", help="What a table is written as.")]
OutOption = Annotated[
    str,
    typer.Option("--out", metavar="FILE|-", help="Where a table goes; - is standard output."),
]
TenantOption = Annotated[
    str | None,
    typer.Option("--tenant", metavar="T", help="Whose table; needed where the database holds several."),
]
DrainOption = Annotated[
    list[str] | None,
    typer.Option("--drain", metavar="ID", help="Only this drain's rows; may be repeated. Of the database."),
]
SinceOption = Annotated[
    str | None,
    typer.Option(
        "--since", metavar="TIME", help="Rows after this instant, with an offset: 2026-03-02T07:00:00+01:00."
    ),
]
UntilOption = Annotated[
    str | None, typer.Option("--until", metavar="TIME", help="Rows up to this instant, which is included.")
]
IdentifiersOption = Annotated[
    bool,
    typer.Option("--identifiers", help="Add patients' record numbers to a table; left out otherwise."),
]
RecordsOption = Annotated[
    str | None,
    typer.Option(
        "--records", metavar="FILE", help="Take a table from this file of records (NDJSON), not the database."
    ),
]
RecordsSourceOption = Annotated[
    str, typer.Option("--source", metavar="S", help="Who the records of --records come from.")
]

#: Some records were held, as of `convert`.
_SOME_HELD = 1


def export(
    package: PackageOption = None,
    table: TableOption = None,
    to: ToOption = "csv",
    out: OutOption = "-",
    tenant: TenantOption = None,
    drain: DrainOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    identifiers: IdentifiersOption = False,
    records: RecordsOption = None,
    source: RecordsSourceOption = "file",
    fhir: FhirOption = "R4",
    base: BaseOption = None,
    mappings: MappingsOption = None,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Write a table for analysts, or a package of the conformance resources for other programs.

    \b
    intervals    what a drain put out between two readings; add up output_ml
    totals       its running total at each reading; never add these up
    windows      what it put out in ward days and shifts
    window-nets  the same, less what was put in
    checks       suction, pressure, air leak, tidaling, patency, appearance

    Rows come in no particular order. Exit code: 0 written, 1 some records of --records are held, 2 wrong usage.

    \b
    Examples:
      drainledger export --table intervals --to parquet --out intervals.parquet
      drainledger export --table checks --records records.ndjson --out checks.csv
      drainledger export --package drainledger-r4.tgz --fhir R4
    """
    if (package is None) == (table is None):
        raise typer.BadParameter(
            "say what to write: --table NAME or --package FILE.tgz", param_hint="--table"
        )
    if package is not None:
        from drainledger.commands.packages import write_package

        with told():
            write_package(package, fhir, settings_with(settings, base=base, mappings=mappings))
        typer.echo(f"{package} is written", err=True)
        return
    from drainledger.commands.tables import Asked, SeveralTenants, UnknownDrain, table_of_database

    assert table is not None, "one of the two is given"
    asked = Asked(
        table=table,
        to=to,
        out=None if out == "-" else Path(out),
        since=_instant(since, "--since"),
        until=_instant(until, "--until"),
        drains=frozenset(drain or ()),
        identifiers=identifiers,
    )
    if records is not None:
        _from_file(asked, records, source, tenant, base, mappings)
        return
    with told():
        try:
            count = table_of_database(asked, settings_with(settings, database=database), tenant)
        except (SeveralTenants, UnknownDrain) as error:
            raise typer.BadParameter(str(error)) from None
    _say(asked, count)


def _from_file(
    asked: Asked, records: str, source: str, tenant: str | None, base: str | None, mappings: Path | None
) -> None:
    from drainledger.commands.tables import table_of_file
    from drainledger.convert.output import refuse_input
    from drainledger.convert.settings import Settings

    if asked.drains:
        raise typer.BadParameter("goes with the database, not with --records", param_hint="--drain")
    path = None if records == "-" else Path(records)
    conversion = Settings(
        emit="resources",
        received_at=datetime.now(UTC),
        tenant=tenant or "default",
        source=source,
        base=base or BASE,
        patient_secret=os.environ.get("DRAINLEDGER_PATIENT_SECRET", "").encode(),
        mappings=mappings,
    )
    with told():
        refuse_input(asked.out, path)
        count, held = table_of_file(asked, path, conversion)
    _say(asked, count)
    if held:
        raise typer.Exit(_SOME_HELD)


def _say(asked: Asked, count: int) -> None:
    from drainledger.fhir.tables import CAUTION

    typer.echo(f"{count} rows of {asked.table} are written. {CAUTION}", err=True)


def _instant(text: str | None, option: str) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no time; write 2026-03-02T08:00:00Z", param_hint=option
        ) from None
    if found.tzinfo is None:
        raise typer.BadParameter("a time needs its offset: 2026-03-02T08:00:00Z", param_hint=option)
    return found
