"""What the service's commands share: settings, the store, faults told in a line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from drainledger.settings import Settings
    from drainledger.store.store import Store

#: The settings or the database can't be used.
UNUSABLE = 2

DatabaseOption = Annotated[
    str | None,
    typer.Option(
        "--database", metavar="URL", help="The database, instead of the setting DRAINLEDGER_DATABASE."
    ),
]
SettingsOption = Annotated[
    Path | None, typer.Option("--settings", metavar="FILE", help="A TOML file of settings.")
]
MappingsOption = Annotated[
    Path | None,
    typer.Option("--mappings", metavar="DIR", help="Use these mappings instead of those of the settings."),
]


def settings_with(file: Path | None, **options: object) -> Settings:
    """The settings of this process under these options. Raises BadSettings."""
    from drainledger.settings import load

    return load(options, file=file)


@contextmanager
def told() -> Iterator[None]:
    """What can't be used is told in a line or two and ends with exit code 2."""
    from drainledger.convert.lines import UnreadableInput
    from drainledger.convert.output import UnwritableOutput
    from drainledger.mapping import MappingError
    from drainledger.settings import BadSettings
    from drainledger.store.errors import StoreFault

    try:
        yield
    except BadSettings as error:
        for fault in error.faults:
            typer.echo(f"drainledger: {fault}", err=True)
        raise typer.Exit(UNUSABLE) from None
    except (StoreFault, MappingError, UnreadableInput, UnwritableOutput, OSError) as error:
        typer.echo(f"drainledger: {error}", err=True)
        raise typer.Exit(UNUSABLE) from None


@contextmanager
def opened(database: str | None, file: Path | None = None) -> Iterator[Store]:
    """The store of the settings, closed at the end; faults are told."""
    from drainledger.store.store import Store

    with told():
        store = Store.open(settings_with(file, database=database).database.get_secret_value())
        try:
            yield store
        finally:
            store.close()
