"""`drainledger serve`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drainledger.commands.common import DatabaseOption, SettingsOption, settings_with, told


def serve(
    host: Annotated[str | None, typer.Option("--host", metavar="H", help="Listen on this address.")] = None,
    port: Annotated[
        int | None, typer.Option("--port", metavar="N", help="Listen on this port; 0: a free one.")
    ] = None,
    database: DatabaseOption = None,
    demo: Annotated[
        bool,
        typer.Option("--demo", help="Open to anybody on this machine, and says so; for invented data."),
    ] = False,
    fixtures: Annotated[
        Path | None,
        typer.Option("--fixtures", metavar="FILE", help="With --demo: records to begin with, as NDJSON."),
    ] = None,
    mappings: Annotated[
        Path | None,
        typer.Option("--mappings", metavar="DIR", help="Use these mappings instead of those shipped."),
    ] = None,
    settings: SettingsOption = None,
) -> None:
    """Run the service until it is told to stop (Ctrl-C, SIGTERM); it then finishes what it has begun.

    \b
    Examples:
      drainledger serve --demo --fixtures fixtures/ward.ndjson
      DRAINLEDGER_PATIENT_SECRET=... drainledger serve --database sqlite:///ward.db

    Settings are environment variables DRAINLEDGER_* or a TOML file; the README lists them.
    """
    with told():
        loaded = settings_with(settings, host=host, port=port, database=database, mappings=mappings)
        from drainledger.web.serve import run

        run(loaded, demo=demo, fixtures=fixtures)
