"""`kbapi db`: the schema of an instance."""

from pathlib import Path

import click

from kbapi.cli.common import home_option, settings_of, told_errors
from kbapi.intake.rescreen import rescreen
from kbapi.storage.instance import open_instance, upgrade_instance
from kbapi.storage.migrations import current_revision, head_revision
from kbapi.storage.owners import require_may_open


@click.group("db")
def database_commands() -> None:
    """Create or upgrade the database of an instance."""


@database_commands.command("upgrade")
@home_option
def upgrade_command(home: Path) -> None:
    """Create the instance, or upgrade its database.

    Make a backup first: kbapi backup. The upgrade changes everything or
    nothing. It then screens the results again that older rules screened.
    """
    with told_errors():
        settings = settings_of(home)
        require_may_open(settings.database_path)
        before = (
            current_revision(settings.database_path) if settings.database_path.exists() else None
        )
        upgrade_instance(settings)
        instance = open_instance(settings)
        screened = rescreen(instance)
        instance.close()
        click.echo(f"{home}: schema {before or 'none'} -> {head_revision()}")
        if screened:
            click.echo(f"{screened} results were screened again by the current rules.")
