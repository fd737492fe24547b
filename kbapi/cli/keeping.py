"""`kbapi backup`, `kbapi restore`, `kbapi check`: nothing of an instance is lost."""

from pathlib import Path
from typing import Final

import click

from kbapi.cli.common import REFUSED, home_option, paragraph, settings_of, told_errors
from kbapi.exchange.backup import back_up_secret, make_backup
from kbapi.exchange.check import check_instance
from kbapi.exchange.restore import LOST_WITH_IT, restore_backup

_BOTH_TOGETHER: Final = (
    "Backup and secret together open what neither does alone: whoever has both can read and "
    "withdraw every result and try tokens. Keep them at different places."
)
_APART: Final = (
    "The secret is not in it, and without it no receipt fits after a restore: keep a copy of it "
    "at another place (--secret FILE)."
)

_DATED_LATER: Final = (
    "Named after a time that is still to come, so that a clock is or was wrong: {}. They do not "
    "count for --keep and are never removed by it: set the clock right, and remove by hand what "
    "you do not need."
)


@click.command("backup")
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--keep", type=click.IntRange(1), help="Keep the newest KEEP backups in TARGET.")
@click.option(
    "--secret",
    "secret_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the secret to this file as well, which must lie elsewhere.",
)
@home_option
def backup_command(target: Path, keep: int | None, secret_file: Path | None, home: Path) -> None:
    """Copy the database into the folder TARGET, checked, while the server runs."""
    with told_errors():
        if secret_file is not None:
            back_up_secret(settings_of(home), secret_file, target)
        made = make_backup(settings_of(home), target, keep)
        results = made.condition.rows_of("submission")
        click.echo(
            f"{made.file}: {results:,} results, schema {made.condition.revision}, "
            f"{made.size_bytes:,} bytes, checked."
        )
        for old in made.removed:
            click.echo(f"Removed {old.name}.")
        if secret_file is not None:
            click.echo(f"{secret_file}: the secret.")
        if made.dated_later:
            names = ", ".join(path.name for path in made.dated_later)
            click.echo(paragraph(_DATED_LATER.format(names)), err=True)
        click.echo(paragraph(_APART if secret_file is None else _BOTH_TOGETHER), err=True)


@click.command("restore")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--secret",
    "secret_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The secret that belongs to FILE, if it is not in --home.",
)
@click.option("--without-secret", is_flag=True, help="The secret is lost: go on without it.")
@home_option
def restore_command(file: Path, secret_file: Path | None, without_secret: bool, home: Path) -> None:
    """Put the backup FILE in the place of the instance's database.

    Nobody may have the instance open. What is there now is set aside, and
    stays there until you remove it.
    """
    with told_errors():
        done = restore_backup(settings_of(home), file, secret_file, without_secret=without_secret)
    results = done.condition.rows_of("submission")
    click.echo(f"{home}: {results:,} results, schema {done.condition.revision}, checked.")
    for path in done.excluded:
        is_beside = path.parent == home.resolve()
        click.echo(f"Set aside: {path.name if is_beside else path}")
    if not done.fits_secret:
        click.echo(paragraph(f"Without its secret {LOST_WITH_IT}"), err=True)
    if done.needs_upgrade:
        click.echo("The schema is older than the program: run 'kbapi db upgrade'.", err=True)


@click.command("check")
@home_option
def check_command(home: Path) -> None:
    """Look the instance through: pages, references, secret, schema, evidence, room.

    Changes nothing; the server may run. Leaves with 1 when something is wrong.
    """
    with told_errors():
        findings = check_instance(settings_of(home))
    for found in findings:
        click.echo(f"{'well' if found.is_well else 'WRONG':<6}{found.what:<12}{found.told}")
    if not all(found.is_well for found in findings):
        raise SystemExit(REFUSED)
