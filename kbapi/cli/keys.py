"""`kbapi keys`: who may do what in an instance."""

from pathlib import Path

import click
import orjson

from kbapi.access.keys import SCOPES, give_key, list_keys, revoke_key
from kbapi.cli.common import bullet, home_option, json_option, paragraph, settings_of, told_errors
from kbapi.storage.instance import open_instance
from kbapi.storage.key_rows import KeyRow


@click.group("keys")
def keys_commands() -> None:
    """Give access keys to people who send or look after results, and take them back."""


@keys_commands.command("add")
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    required=True,
    type=click.Choice(tuple(SCOPES)),
    help="What the key opens: "
    + "; ".join(f"{scope}: {told}" for scope, told in SCOPES.items())
    + ". Repeat it for several.",
)
@click.option("--name", default="", help="A short label of your own; nobody's name or address.")
@home_option
def add_command(scopes: tuple[str, ...], name: str, home: Path) -> None:
    """Print a new key, once: only a keyed hash of it is kept."""
    with told_errors():
        given = give_key(open_instance(settings_of(home)), name, scopes)
    click.echo(given.key)
    told = f"Key {given.id}. It is shown this once: hand it on by a safe way, keep no copy."
    click.echo(paragraph(told), err=True)


@keys_commands.command("list")
@json_option
@home_option
def list_command(as_json: bool, home: Path) -> None:
    """List the keys that were given: number, name, scopes, days; never a key."""
    with told_errors():
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
    return "" if key.fits_secret else ", opens nothing: given under another secret"


@keys_commands.command("revoke")
@click.argument("number", metavar="ID", type=int)
@home_option
def revoke_command(number: int, home: Path) -> None:
    """Take the key ID back, at once; what was decided with it stays."""
    with told_errors():
        revoke_key(open_instance(settings_of(home)), number)
    click.echo(f"Key {number} opens nothing any more.")
