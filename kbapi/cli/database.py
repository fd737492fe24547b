"""`kbapi db`: the schema of an instance."""

from pathlib import Path

import click

from kbapi.cli.common import home_option, settings_of, told_errors
from kbapi.storage.instance import upgrade_instance
from kbapi.storage.migrations import current_revision, head_revision


@click.group("db")
def database_commands() -> None:
    """Look after the database of an instance."""


@database_commands.command("upgrade")
@home_option
def upgrade_command(home: Path) -> None:
    """Make the instance, or bring its database to this program's version.

    All migrations happen or none. Copy the folder before you upgrade.
    """
    with told_errors():
        settings = settings_of(home)
        before = (
            current_revision(settings.database_path) if settings.database_path.exists() else None
        )
        upgrade_instance(settings)
        click.echo(f"{home}: schema {before or 'none'} -> {head_revision()}")
