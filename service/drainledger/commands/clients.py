"""`drainledger clients`: programs that get access tokens with a key pair of their own (SMART Backend Services)."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlsplit

import typer

from drainledger.commands.common import DatabaseOption, SettingsOption, opened

if TYPE_CHECKING:
    from drainledger.store.clients import ClientRow

clients = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

TenantOption = Annotated[str, typer.Option("--tenant", metavar="T", help="The hospital whose data it reads.")]
_PRIVATE = frozenset({"d", "p", "q", "dp", "dq", "qi", "oth", "k"})


@clients.callback()
def clients_() -> None:
    """Make, list and revoke clients of SMART Backend Services. Of a client's keys only the public half is taken."""


@clients.command()
def create(
    tenant: TenantOption,
    name: Annotated[str, typer.Option("--name", metavar="N", help="What it is, for people.")],
    scope: Annotated[
        list[str], typer.Option("--scope", help="system/*.rs, system/Observation.rs ...; may be repeated.")
    ],
    jwks: Annotated[
        Path | None, typer.Option("--jwks", metavar="FILE", help="Its public keys, a JSON Web Key Set.")
    ] = None,
    jwks_url: Annotated[
        str | None, typer.Option("--jwks-url", metavar="URL", help="Where its public keys are (https).")
    ] = None,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Make a client. Its id alone is printed to standard output: ID=$(drainledger clients create ...)

    \b
    Example:
      drainledger clients create --tenant T --name analysts --jwks keys.json --scope 'system/*.rs'
    """
    from drainledger.store import clients as kept
    from drainledger.web.oauth.scopes import is_scope

    bad = [each for each in scope if not is_scope(each)]
    if bad:
        raise typer.BadParameter(f"{bad[0]!r} is no scope; write system/*.rs", param_hint="--scope")
    keys = None if jwks is None else _public_keys(jwks)
    if jwks_url is not None:
        _check_url(jwks_url)
    with opened(database, settings) as store:
        try:
            row = kept.create(
                store,
                tenant,
                name=name,
                jwks=keys,
                jwks_url=jwks_url,
                scopes=scope,
                now=datetime.now(UTC),
            )
        except ValueError as error:
            raise typer.BadParameter(str(error)) from None
    typer.echo(f"client {row.name} of {row.tenant}, until it is revoked; its client_id:", err=True)
    typer.echo(row.client_id)


@clients.command("list")
def list_(
    tenant: Annotated[str | None, typer.Option("--tenant", metavar="T", help="Only this one's.")] = None,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """List clients: tenant, id, state, name, scopes, where the keys are."""
    from drainledger.store.clients import list_clients

    with opened(database, settings) as store:
        rows = list_clients(store, tenant)
    for row in rows:
        typer.echo("\t".join(_columns(row)))


@clients.command()
def revoke(
    client_id: Annotated[
        str, typer.Argument(metavar="CLIENT_ID", help="The client's id, as `clients list` shows it.")
    ],
    tenant: TenantOption,
    database: DatabaseOption = None,
    settings: SettingsOption = None,
) -> None:
    """Give a client no token from now on; those that it has open nothing any more."""
    from drainledger.store import clients as kept

    with opened(database, settings) as store:
        kept.revoke(store, tenant, client_id, datetime.now(UTC))
    typer.echo(f"{client_id} is revoked", err=True)


def _columns(row: ClientRow) -> list[str]:
    state = "valid" if row.is_good(datetime.now(UTC)) else "revoked"
    return [
        row.tenant,
        row.client_id,
        state,
        row.name,
        " ".join(row.scopes),
        row.jwks_url or "keys kept here",
    ]


def _public_keys(path: Path) -> bytes:
    """The file as it is, where every key of it can be used and none is private."""
    import msgspec

    from drainledger.web.auth.keyset import usable

    try:
        raw = path.read_bytes()
        listed = msgspec.json.decode(raw, type=dict[str, list[dict[str, Any]]])["keys"]
    except OSError as error:
        raise typer.BadParameter(f"{path}: {error.strerror}", param_hint="--jwks") from None
    except (msgspec.MsgspecError, UnicodeDecodeError, KeyError):
        raise typer.BadParameter(
            f'{path} is no JSON Web Key Set: write {{"keys": [...]}}', param_hint="--jwks"
        ) from None
    if any(_PRIVATE & key.keys() for key in listed):
        raise typer.BadParameter(
            f"{path} holds a private or shared key: give the public half alone, and keep the other secret",
            param_hint="--jwks",
        )
    try:
        found = usable(raw)
    except ValueError:
        found = None
    if found is None or len(found.keys) != len(listed) or not all(map(_is_signing, listed)):
        raise typer.BadParameter(
            f"{path}: each key is an RSA key of at least 2048 bits or an elliptic-curve key of P-384, and has a kid",
            param_hint="--jwks",
        )
    return raw


def _is_signing(key: dict[str, Any]) -> bool:
    """Whether it can be named, and its curve is that of ES384 (RFC 7518, 3.4)."""
    return bool(key.get("kid")) and (key.get("kty") != "EC" or key.get("crv") == "P-384")


def _check_url(url: str) -> None:
    from drainledger.settings import is_loopback

    parts = urlsplit(url)
    if parts.scheme == "https" or (parts.scheme == "http" and is_loopback(parts.hostname or "")):
        return
    raise typer.BadParameter(
        "write an https URL (http only to this machine): who can change the keys can be the client",
        param_hint="--jwks-url",
    )
