"""`kbapi serve`: checks an instance, prints notices for the host, and serves it."""

from pathlib import Path
from typing import Final

import click

from kbapi.access.keys import has_live_key
from kbapi.access.limits import require_rate_library
from kbapi.cli.common import errors_as_messages, home_option, paragraph, settings_of
from kbapi.instance.check import require_private
from kbapi.instance.instance import catalogue_in, create_or_open_instance
from kbapi.intake.rescreen import is_rescreening_due
from kbapi.server.serve import (
    MOST_CONNECTIONS,
    default_workers,
    one_process_notice,
    require_safe_library,
    serve,
)
from kbapi.storage.sqlite.engine import library_version

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
@home_option
def serve_command(host: str, port: int, workers: int | None, threads: int, home: Path) -> None:
    """Serve the instance in --home over HTTP.

    An empty folder becomes a new instance. Environment variables set access
    (KBAPI_JOIN), rate limits, proxies and allowed web pages. The README
    lists them.
    """
    with errors_as_messages():
        settings = settings_of(home)
        processes = default_workers(settings) if workers is None else workers
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
        serve(settings, host, port, processes, threads)
