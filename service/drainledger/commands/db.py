"""`drainledger db`: the database's tables, its integrity, its copies, and the mappings that it is judged by."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drainledger.commands.common import (
    DatabaseOption,
    MappingsOption,
    SettingsOption,
    opened,
    settings_with,
    told,
)

db = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

ArchiveArgument = Annotated[Path, typer.Argument(metavar="FILE", help="The archive.")]


@db.callback()
def db_() -> None:
    """Bring the tables up to date, check what is stored, back it up and restore it, judge it by other mappings."""


@db.command()
def upgrade(database: DatabaseOption = None, settings: SettingsOption = None) -> None:
    """Bring the tables up to this release, from nothing or from an older one; all of it or nothing."""
    from drainledger.store.migrations import upgrade as upgraded

    with told():
        upgraded(settings_with(settings, database=database).database.get_secret_value())
    typer.echo("the database is up to date", err=True)


@db.command()
def check(
    resources: Annotated[
        bool,
        typer.Option(
            "--resources",
            help="Fold the journal anew besides, and compare every stored resource with what it gives.",
        ),
    ] = False,
    mappings: MappingsOption = None,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Read through everything that is stored and say what is not as it was written. Exit code 1 if anything is."""
    from drainledger.store.checking import check as checked

    with opened(database, settings) as store:
        faults = list(map(str, checked(store)))
    if resources:
        from drainledger.commands.journals import verify_all

        with told():
            faults += verify_all(settings_with(settings, database=database, mappings=mappings))
    for fault in faults:
        typer.echo(fault)
    typer.echo(f"{len(faults)} faults", err=True)
    raise typer.Exit(1 if faults else 0)


@db.command()
def backup(file: ArchiveArgument, database: DatabaseOption = None, settings: SettingsOption = None) -> None:
    """Write everything to an archive, as it is at one moment; the service may go on writing."""
    from drainledger.store.backup import backup as backed_up

    with opened(database, settings) as store:
        backed_up(store, file)
    typer.echo(f"{file} is written", err=True)


@db.command()
def restore(file: ArchiveArgument, database: DatabaseOption = None, settings: SettingsOption = None) -> None:
    """Fill an empty database from an archive, of whichever kind of database it was made."""
    from drainledger.store.backup import restore as restored

    with told():
        restored(file, settings_with(settings, database=database).database.get_secret_value())
    typer.echo(f"{file} is restored; 'drainledger db check' reads it through", err=True)


@db.command()
def refold(
    mapping: Annotated[
        bool,
        typer.Option("--mapping", help="Judge by the mappings now in force; nothing else can be refolded."),
    ] = False,
    tenant: Annotated[
        str | None, typer.Option("--tenant", metavar="T", help="Only this tenant, instead of all.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would change, by drain and kind; write nothing.")
    ] = False,
    mappings: MappingsOption = None,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Judge what was journaled under older mappings by those now in force.

    Each set of drains that share collectors is a commit of its own, with the act in its journal. One that is cut off
    can be run again: it does the rest. A line a drain and kind of resource tells how many get a new version.
    """
    if not mapping:
        raise typer.BadParameter("say --mapping: without it there is nothing to do", param_hint="--mapping")
    from drainledger.commands.journals import refold_all

    done = 0
    with told():
        for drains, changed in refold_all(
            settings_with(settings, database=database, mappings=mappings), tenant=tenant, dry_run=dry_run
        ):
            done += drains
            for line in changed:
                typer.echo(line)
    typer.echo(f"{done} drains {'would be' if dry_run else 'are'} judged anew", err=True)
