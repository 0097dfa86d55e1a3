"""`drainledger keys`: API keys of sources and programs."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from drainledger.commands.common import DatabaseOption, SettingsOption, opened

if TYPE_CHECKING:
    from drainledger.store.keys import KeyRow

keys = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

TenantOption = Annotated[str, typer.Option("--tenant", metavar="T", help="The hospital whose key it is.")]
KeyArgument = Annotated[str, typer.Argument(metavar="KEY_ID", help="The key's id, as `keys list` shows it.")]


@keys.callback()
def keys_() -> None:
    """Make, list, revoke and rotate API keys. A key is shown once; its hash alone is kept."""


@keys.command()
def create(
    tenant: TenantOption,
    scope: Annotated[
        list[str], typer.Option("--scope", help="records.write, read or operate; may be repeated.")
    ],
    source: Annotated[
        str | None,
        typer.Option("--source", metavar="S", help="The only source whose records the key may send."),
    ] = None,
    expires: Annotated[
        str | None,
        typer.Option("--expires", metavar="TIME", help="In so many days (90d) or hours (12h), or a time."),
    ] = None,
    note: Annotated[str, typer.Option("--note", help="What it is for.")] = "",
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Make a key. It alone is printed to standard output: KEY=$(drainledger keys create ...)

    \b
    Example:
      drainledger keys create --tenant T --source S --scope records.write --scope read
    """
    from drainledger.store import keys as kept

    now = datetime.now(UTC)
    with opened(database, settings) as store:
        try:
            text, row = kept.create(
                store,
                tenant,
                source=source,
                scopes=scope,
                now=now,
                expires_at=_expiry(expires, now),
                note=note,
            )
        except ValueError as error:
            raise typer.BadParameter(str(error)) from None
    _show(text, row)


@keys.command("list")
def list_(
    tenant: Annotated[str | None, typer.Option("--tenant", metavar="T", help="Only this one's.")] = None,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """List keys, without what opens anything: tenant, id, state, source, scopes, expiry, note."""
    from drainledger.store.keys import list_keys

    with opened(database, settings) as store:
        rows = list_keys(store, tenant)
    for row in rows:
        typer.echo("\t".join(_columns(row)))


@keys.command()
def revoke(
    key_id: KeyArgument,
    tenant: TenantOption,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Let a key open nothing from now on."""
    from drainledger.store import keys as kept

    with opened(database, settings) as store:
        kept.revoke(store, tenant, key_id, datetime.now(UTC))
    typer.echo(f"{key_id} is revoked", err=True)


@keys.command()
def rotate(
    key_id: KeyArgument,
    tenant: TenantOption,
    overlap: Annotated[
        str, typer.Option("--overlap", metavar="TIME", help="How long the old key goes on: 7d, 24h.")
    ] = "24h",
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Make a key in place of an old one, which goes on for a while so that callers can change over."""
    from drainledger.store import keys as kept

    with opened(database, settings) as store:
        text, row = kept.rotate(store, tenant, key_id, datetime.now(UTC), overlap=_span(overlap))
    _show(text, row)


def _show(text: str, row: KeyRow) -> None:
    until = "until it is revoked" if row.expires_at is None else f"until {row.expires_at.isoformat()}"
    typer.echo(f"key {row.key_id} of {row.tenant}, {until}; it is shown once:", err=True)
    typer.echo(text)


def _columns(row: KeyRow) -> list[str]:
    state = row.refusal(datetime.now(UTC)) or "valid"
    until = "" if row.expires_at is None else row.expires_at.isoformat()
    return [row.tenant, row.key_id, state, row.source or "", " ".join(sorted(row.scopes)), until, row.note]


def _span(text: str) -> timedelta:
    match = re.fullmatch(r"(\d{1,5})([dh])", text)
    if match is None:
        raise typer.BadParameter(f"{text!r} is no span; write 7d or 24h")
    return timedelta(days=int(match[1])) if match[2] == "d" else timedelta(hours=int(match[1]))


def _expiry(text: str | None, now: datetime) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return now + _span(text)
    if found.tzinfo is None:
        raise typer.BadParameter("a time needs its offset: 2026-12-31T00:00:00Z")
    return found
