"""The command line: `drainledger convert`, `conformance`, `check`, `export`, `serve`, `keys`, `clients`
and `db` (DESIGN 6).

Exit codes: 0 nothing is wrong, 1 something in the input is (records held, a resource not valid), 2 wrong usage, or a
file that can't be opened, 70 a fault of this program, 141 whoever read the output has gone. Libraries are imported
where they are used, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import re
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from drainledger import __version__
from drainledger.commands.clients import clients
from drainledger.commands.db import db
from drainledger.commands.export import export
from drainledger.commands.keys import keys
from drainledger.commands.serve import serve
from drainledger.convert.settings import BASE, Emit, Fhir

CAUTION = "Not a medical device, not an alarm. Check the patient; local policy and licensed practice decide."
#: Where the secret behind Patient ids is taken from: never an option, which other users of the machine could see.
SECRET = "DRAINLEDGER_PATIENT_SECRET"
#: 128 + SIGPIPE: what a shell reports of a program whose reader has gone.
READER_GONE = 141
#: A fault of this program (EX_SOFTWARE): never 1, which speaks of the input.
OWN_FAULT = 70

_LOOK = {"help_option_names": ["-h", "--help"], "max_content_width": 110}

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings=_LOOK,
    epilog=CAUTION,
)
check = typer.Typer(no_args_is_help=True, rich_markup_mode=None, context_settings=_LOOK, epilog=CAUTION)
app.add_typer(check, name="check")
app.add_typer(clients, name="clients", context_settings=_LOOK, epilog=CAUTION)
app.add_typer(keys, name="keys", context_settings=_LOOK, epilog=CAUTION)
app.add_typer(db, name="db", context_settings=_LOOK, epilog=CAUTION)
app.command(epilog=CAUTION)(serve)
app.command(epilog=CAUTION)(export)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"drainledger {__version__}")
        raise typer.Exit


@app.callback()
def drainledger(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Chest-drain readings in; an exact output ledger and FHIR resources out.

    \b
    The quickest look:
      drainledger convert records.ndjson --emit summary
    """


def _word(text: str) -> str:
    """A tenant or a source: it goes into ids and URIs."""
    if not text or not text.isprintable() or text != text.strip():
        raise typer.BadParameter("write a name without invisible characters or spaces at its ends")
    return text


def _url(text: str) -> str:
    if not re.fullmatch(r"https?://[^\s/?#\"<>\\^`{|}]+(/[^\s?#\"<>\\^`{|}]*)?", text):
        raise typer.BadParameter("write an http or https URL without query and fragment")
    return text.rstrip("/")


FhirOption = Annotated[Fhir, typer.Option("--fhir", help="FHIR version of what comes out.")]
MappingsOption = Annotated[
    Path | None,
    typer.Option("--mappings", metavar="DIR", help="Use these mappings instead of those shipped."),
]
SourceOption = Annotated[
    str,
    typer.Option(
        "--source", metavar="S", callback=_word, help="Who the records come from; part of their ids."
    ),
]
TenantOption = Annotated[
    str,
    typer.Option(
        "--tenant", metavar="T", callback=_word, help="The hospital; part of every id that comes out."
    ),
]
BaseOption = Annotated[
    str, typer.Option("--base", metavar="URL", callback=_url, help="Where the local canonicals live.")
]
ReceivedOption = Annotated[
    str | None,
    typer.Option(
        "--received-at",
        metavar="TIME",
        help="Take this as the time of receipt, with an offset (2026-03-02T08:00:00Z), instead of now. "
        "A record of more than 10 minutes later is held.",
    ),
]


@app.command(epilog=CAUTION)
def convert(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="Records as NDJSON, gzip or not; - is standard input.")
    ],
    emit: Annotated[Emit, typer.Option("--emit", help="What comes out.")],
    fhir: FhirOption = "R4",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="F", help="Write to this file, which appears whole or not at all."),
    ] = None,
    tenant: TenantOption = "default",
    source: SourceOption = "file",
    assume_ordered: Annotated[
        bool,
        typer.Option(
            "--assume-ordered",
            help="The file is in order of time, give or take 12 hours: write as it is read, in little memory. "
            "A record that comes later than that, or changes an older one, is left out and reported.",
        ),
    ] = False,
    mappings: MappingsOption = None,
    base: BaseOption = BASE,
    received_at: ReceivedOption = None,
) -> None:
    """Turn a file of records into FHIR resources or into the ledger.

    \b
    resources    FHIR resources, one a line
    bundle       the same in one Bundle (collection)
    transaction  a transaction Bundle a line, one for each record, in the order to send them
    ledger       intervals, totals, windows and findings as JSON
    ledger-csv   one row an interval; add up output_ml to get the output
    summary      one line a drain, for people

    The records may come in any order. What is wrong with a record goes to standard error, one JSON object a line; the
    rest is still converted. Exit code: 0 no record is held, 1 some are, 2 wrong usage or an unreadable file.

    \b
    Examples:
      drainledger convert records.ndjson --emit ledger --out ledger.json
      zcat monday.ndjson.gz | drainledger convert - --emit resources --fhir R5 > resources.ndjson

    The ids of Patients are made with the secret in the environment variable DRAINLEDGER_PATIENT_SECRET. Without one
    they can be guessed back from a record number: set it wherever what comes out leaves your hands.
    """
    from drainledger.convert.commands import run_convert
    from drainledger.convert.settings import Settings

    settings = Settings(
        emit=emit,
        received_at=_instant(received_at),
        fhir=fhir,
        tenant=tenant,
        source=source,
        base=base,
        patient_secret=os.environ.get(SECRET, "").encode(),
        mappings=mappings,
        assume_ordered=assume_ordered,
    )
    with _explained():
        raise typer.Exit(run_convert(_path(file), out, settings))


@app.command(epilog=CAUTION)
def conformance(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="The folder to write to; made where missing.")
    ],
    fhir: FhirOption = "R4",
    mappings: MappingsOption = None,
    base: BaseOption = BASE,
) -> None:
    """Write the code system, value sets, concept map, profiles, search parameters and capability statement.

    \b
    Example:
      drainledger conformance --fhir R4 --out conformance
    """
    from drainledger.convert.commands import run_conformance

    with _explained():
        raise typer.Exit(run_conformance(out, fhir, mappings, base))


@check.callback()
def check_() -> None:
    """Say what is wrong with a mapping, a file of records or a file of resources. Nothing is changed.

    \b
    Examples:
      drainledger check mapping mappings/
      drainledger check records records.ndjson
      drainledger check resources resources.ndjson --fhir R4
    """


@check.command("mapping", epilog=CAUTION)
def check_mapping(
    path: Annotated[
        Path, typer.Argument(metavar="FILE|DIR", help="One mapping file, or a whole folder of them.")
    ],
) -> None:
    """Check mapping files; each fault with file, line and key.

    \b
    Example:
      drainledger check mapping mappings/collectors/adult-single.toml
    """
    from drainledger.convert.commands import run_check_mapping

    with _explained():
        raise typer.Exit(run_check_mapping(path))


@check.command("records", epilog=CAUTION)
def check_records(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="Records as NDJSON, gzip or not; - is standard input.")
    ],
    source: SourceOption = "file",
    mappings: MappingsOption = None,
    received_at: ReceivedOption = None,
    drain: Annotated[
        str | None, typer.Option("--drain", metavar="ID", help="Only the lines that concern this drain.")
    ] = None,
) -> None:
    """Say of each line what it becomes, for which drain, and why; nothing is written.

    \b
    Examples:
      drainledger check records records.ndjson
      drainledger check records records.ndjson --drain drn-7
    """
    from drainledger.convert.commands import run_check_records
    from drainledger.convert.settings import Settings

    settings = Settings(emit="ledger", received_at=_instant(received_at), source=source, mappings=mappings)
    with _explained():
        raise typer.Exit(run_check_records(_path(file), settings, drain))


@check.command("resources", epilog=CAUTION)
def check_resources(
    file: Annotated[
        str,
        typer.Argument(
            metavar="FILE", help="FHIR resources as NDJSON, or one JSON file; - is standard input."
        ),
    ],
    fhir: FhirOption = "R4",
) -> None:
    """Validate the structure of FHIR resources with the fhir.resources library; the entries of Bundles too.

    One broken line costs only itself. What is not checked is said beneath the result.

    \b
    Example:
      drainledger check resources resources.ndjson --fhir R4
    """
    from drainledger.convert.commands import run_check_resources

    with _explained():
        raise typer.Exit(run_check_resources(_path(file), fhir))


def _path(file: str) -> Path | None:
    return None if file == "-" else Path(file)


def _instant(text: str | None) -> datetime:
    from drainledger.domain.validation.times import FIRST_YEAR, LAST_YEAR

    if text is None:
        return datetime.now(UTC)
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no time; write 2026-03-02T08:00:00Z", param_hint="--received-at"
        ) from None
    if instant.tzinfo is None:
        raise typer.BadParameter("a time needs its offset: 2026-03-02T08:00:00Z", param_hint="--received-at")
    if not FIRST_YEAR < instant.year < LAST_YEAR:
        raise typer.BadParameter(
            f"write a time between the years {FIRST_YEAR} and {LAST_YEAR}", param_hint="--received-at"
        )
    return instant


@contextmanager
def _explained() -> Iterator[None]:
    """A file that can't be used is told in one line; a reader that has gone is not told at all; a fault of our own is
    told whole, and has an exit code of its own."""
    from drainledger.convert.lines import UnreadableInput
    from drainledger.convert.output import UnwritableOutput
    from drainledger.mapping import MappingError

    try:
        yield
    except (UnreadableInput, UnwritableOutput, MappingError) as error:
        typer.echo(f"drainledger: {error}", err=True)
        raise typer.Exit(2) from None
    except BrokenPipeError:
        # What is still buffered would be written, and fail again, when the interpreter ends.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.dup2(nowhere, sys.stderr.fileno())
        raise typer.Exit(READER_GONE) from None
    except typer.Exit:
        raise
    except Exception:
        traceback.print_exc()
        typer.echo(
            "drainledger: this is a fault of the program; nothing was written to --out. Please report it.",
            err=True,
        )
        raise typer.Exit(OWN_FAULT) from None


def main() -> None:
    """The `drainledger` command."""
    app(prog_name="drainledger")
