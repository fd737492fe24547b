"""`kbapi serve` checks an instance and serves it; `kbapi keys` manages who may use it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from kbapi.bounds import MOST_CONNECTIONS
from kbapi.cli.common import (
    CommandGroup,
    bullet,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    print_answer,
    settings_of,
)
from kbapi.vocabulary import SCOPES

if TYPE_CHECKING:
    from kbapi.settings import Settings

_NO_VALID_KEY: Final = (
    "KBAPI_JOIN is closed, but no valid access key exists, so nothing can be asked. Create a key "
    "with 'kbapi keys add'."
)

_RESCREENING_DUE: Final = (
    "Older rules screened some results of this instance. Stop the server and run 'kbapi db "
    "upgrade' to screen them again."
)


@click.command("serve")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=8080,
    show_default=True,
    help="Port to listen on.",
)
@click.option(
    "--workers",
    type=int,
    show_default="2; 1 where SQLite allows one process",
    help="Number of processes.",
)
@click.option(
    "--threads",
    type=click.IntRange(1, MOST_CONNECTIONS - 1),
    default=64,
    show_default=True,
    help="Number of threads in each process.",
)
@json_option
@home_option
def serve_command(
    host: str, port: int, workers: int | None, threads: int, as_json: bool, home: Path
) -> None:
    """Serve the instance in --home over HTTP.

    An empty folder becomes a new instance. Environment variables set access
    (KBAPI_JOIN), rate limits, proxies and allowed web pages. The README
    lists them.
    """
    from kbapi.server.serve import default_workers, serve

    with errors_as_messages():
        settings = settings_of(home)
        processes = default_workers(settings) if workers is None else workers
        _prepare(settings, processes)
        if as_json:
            shown = {"home": str(home), "host": host, "port": port}
            print_answer(shown | {"workers": processes, "threads": threads}, as_json, str)
        serve(settings, host, port, processes, threads)


def _prepare(settings: "Settings", processes: int) -> None:
    """Check the instance, create it in an empty folder, and print notices for the host."""
    from kbapi.access.keys import has_live_key
    from kbapi.access.limits import require_rate_library
    from kbapi.instance.check import require_private
    from kbapi.instance.instance import catalogue_in, create_or_open_instance
    from kbapi.intake.rescreen import is_rescreening_due
    from kbapi.server.serve import one_process_notice, require_safe_library
    from kbapi.storage.sqlite.engine import library_version

    if not settings.database:
        require_safe_library(processes, library_version())
    if settings.rate_storage:
        require_rate_library()
    require_private(settings)
    catalogue_in(settings)  # a wrong file is reported before a server starts
    instance = create_or_open_instance(settings)
    if settings.join == "closed" and not has_live_key(instance):
        click.echo(paragraph(_NO_VALID_KEY), err=True)
    if is_rescreening_due(instance):
        click.echo(paragraph(_RESCREENING_DUE), err=True)
    instance.close()
    if notice := one_process_notice(settings):
        click.echo(paragraph(notice), err=True)


@click.group("keys", cls=CommandGroup)
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
@json_option
@home_option
def add_command(scopes: tuple[str, ...], name: str, as_json: bool, home: Path) -> None:
    """Create a key and print it once; only a keyed hash is stored."""
    from kbapi.access.keys import give_key
    from kbapi.instance.instance import open_instance

    with errors_as_messages():
        given = give_key(open_instance(settings_of(home)), name, scopes)
    print_answer({"id": given.id, "key": given.key}, as_json, lambda one: str(one["key"]))
    notice = f"Key {given.id} is shown only once. Send it over a safe channel and keep no copy."
    click.echo(paragraph(notice), err=True)


@keys_commands.command("list")
@json_option
@home_option
def list_command(as_json: bool, home: Path) -> None:
    """List the keys: number, name, scopes and days.

    The keys themselves are not stored and not shown.
    """
    from kbapi.access.keys import list_keys
    from kbapi.instance.instance import open_instance

    with errors_as_messages():
        keys = list_keys(open_instance(settings_of(home)))
    if as_json:
        print_answer({"keys": keys}, as_json, str)
        return
    for key in keys:
        name = key.name or "without a name"
        scopes = ", ".join(key.scopes)
        click.echo(bullet(f"{key.id}: {name} ({scopes}), {key.created_day}{_ended(key)}"))


def _ended(key: Any) -> str:
    if key.revoked_day:
        return f", revoked {key.revoked_day}"
    return "" if key.fits_secret else ", not valid: created with another secret"


@keys_commands.command("revoke")
@click.argument("number", metavar="ID", type=int)
@json_option
@home_option
def revoke_command(number: int, as_json: bool, home: Path) -> None:
    """Revoke the key ID at once; decisions made with it stay."""
    from kbapi.access.keys import revoke_key
    from kbapi.instance.instance import open_instance

    with errors_as_messages():
        revoke_key(open_instance(settings_of(home)), number)
    print_answer({"revoked": number}, as_json, lambda _: f"Key {number} is revoked.")
