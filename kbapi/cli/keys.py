"""`kbapi keys`: who may do what in an instance."""

from pathlib import Path

import click
import orjson

from kbapi.access.keys import SCOPES, give_key, list_keys, revoke_key
from kbapi.cli.common import (
    bullet,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    settings_of,
)
from kbapi.instance.instance import open_instance
from kbapi.storage.keys import KeyRow


@click.group("keys")
def keys_commands() -> None:
    """Create, list and revoke access keys."""


@keys_commands.command("add")
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    required=True,
    type=click.Choice(tuple(SCOPES)),
    help="Scope of the key. "
    + " ".join(f"{scope}: {allowed}." for scope, allowed in SCOPES.items())
    + " Repeat it for several scopes.",
)
@click.option(
    "--name", default="", help="Short label for the key, without a person's name or address."
)
@home_option
def add_command(scopes: tuple[str, ...], name: str, home: Path) -> None:
    """Create a key and print it once; only a keyed hash is stored."""
    with errors_as_messages():
        given = give_key(open_instance(settings_of(home)), name, scopes)
    click.echo(given.key)
    told = f"Key {given.id} is shown only once. Send it over a safe channel and keep no copy."
    click.echo(paragraph(told), err=True)


@keys_commands.command("list")
@json_option
@home_option
def list_command(as_json: bool, home: Path) -> None:
    """List the keys: number, name, scopes and days.

    The keys themselves are not stored and not shown.
    """
    with errors_as_messages():
        keys = list_keys(open_instance(settings_of(home)))
    if as_json:
        click.echo(orjson.dumps(keys))
        return
    for key in keys:
        name = key.name or "without a name"
        told = f"{key.id}: {name} ({', '.join(key.scopes)}), {key.created_day}{_ended(key)}"
        click.echo(bullet(told))


def _ended(key: KeyRow) -> str:
    if key.revoked_day:
        return f", revoked {key.revoked_day}"
    return "" if key.fits_secret else ", not valid: created with another secret"


@keys_commands.command("revoke")
@click.argument("number", metavar="ID", type=int)
@home_option
def revoke_command(number: int, home: Path) -> None:
    """Revoke the key ID at once; decisions made with it stay."""
    with errors_as_messages():
        revoke_key(open_instance(settings_of(home)), number)
    click.echo(f"Key {number} is revoked.")
