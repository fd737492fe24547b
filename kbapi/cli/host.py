"""Commands of the host on a folder: upgrade, backup, restore, check, catalogue, access keys."""

from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any, Final

import click
import orjson

from kbapi.access.keys import SCOPES, give_key, list_keys, revoke_key
from kbapi.chips.catalogue import resolve_chip
from kbapi.chips.catalogue_file import parse_file, problems_in, read_text
from kbapi.cli.common import (
    REFUSED,
    bullet,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    progress_option,
    progress_shown,
    settings_of,
)
from kbapi.errors import ChipUnknown, Problem
from kbapi.instance import clock_repair
from kbapi.instance.backup import back_up_secret, make_backup
from kbapi.instance.check import check_backup, check_instance
from kbapi.instance.instance import (
    bundled_catalogue,
    catalogue_in,
    open_instance,
    upgrade_instance,
)
from kbapi.instance.move import move_instance, undo_move
from kbapi.instance.restore import LOST_WITH_IT, restore_backup, restore_on_server
from kbapi.intake.rescreen import check_pools, rescreen
from kbapi.storage.files import require_may_open
from kbapi.storage.keys import KeyRow
from kbapi.storage.schema import current_revision, head_revision

if TYPE_CHECKING:
    from kbapi.settings import Settings


@click.group("db")
def database_commands() -> None:
    """Create or upgrade the database of an instance."""


@database_commands.command("upgrade")
@progress_option
@home_option
def upgrade_command(shows_progress: bool, home: Path) -> None:
    """Create the instance, or upgrade its database.

    Make a backup first: kbapi backup. The upgrade changes everything or
    nothing. It then screens the results again that older rules screened,
    and checks all pools for outliers.
    """
    with errors_as_messages(), progress_shown(shows_progress) as progress:
        settings = settings_of(home)
        before = _present_revision(settings)
        progress("schema", 0, 1)
        upgrade_instance(settings)
        progress("schema", 1, 1)
        instance = open_instance(settings)
        screened = rescreen(instance, progress)
        changed = check_pools(instance, progress)
        instance.close()
    where = "KBAPI_DATABASE" if settings.database else home
    click.echo(f"{where}: schema {before or 'none'} -> {head_revision()}")
    if screened:
        click.echo(f"{screened} results were screened again by the current rules.")
    if changed:
        click.echo(f"In {changed} pools the outlier check excludes other results than before.")


def _present_revision(settings: "Settings") -> str | None:
    if settings.database:
        return current_revision(settings.database)
    require_may_open(settings.database_path)
    return current_revision(settings.database_path) if settings.database_path.exists() else None


_BOTH_TOGETHER: Final = (
    "Keep the backup and the secret in different places. Together they let a finder read and "
    "withdraw every result."
)
_APART: Final = (
    "The backup does not contain the secret, and no receipt works without it. Save the secret in "
    "another place with --secret FILE."
)

_DATED_LATER: Final = (
    "These backups have a date in the future: {}. --keep neither counts nor removes them. "
    "Correct the clock, and remove by hand what you do not need."
)


@click.command("backup")
@click.argument("target", type=click.Path(path_type=Path))
@click.option(
    "--keep",
    type=click.IntRange(1),
    help="Keep the newest KEEP backups in TARGET, and remove older ones.",
)
@click.option(
    "--secret",
    "secret_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Also write the secret to this file, outside TARGET and the instance.",
)
@progress_option
@home_option
def backup_command(
    target: Path, keep: int | None, secret_file: Path | None, shows_progress: bool, home: Path
) -> None:
    """Copy the database into the folder TARGET.

    The server may run. The copy is checked before it gets its final name.
    A manifest with checksums is beside it.
    """
    with errors_as_messages():
        if secret_file is not None:
            back_up_secret(settings_of(home), secret_file, target)
        with progress_shown(shows_progress) as progress:
            made = make_backup(settings_of(home), target, keep, progress=progress)
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


_NOT_PROVED: Final = (
    "The backup was not compared with a manifest. Its pages, indexes, checksums and references "
    "are intact."
)


@click.command("restore")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--secret",
    "secret_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File with the secret of the backup, if --home does not have it.",
)
@click.option("--without-secret", is_flag=True, help="Restore without the secret, if it is lost.")
@click.option(
    "--without-manifest", is_flag=True, help="Restore without the manifest, if it is lost."
)
@click.option(
    "--replace",
    "replaces",
    is_flag=True,
    help="On PostgreSQL: replace an instance; its tables are kept in a schema of their own.",
)
@progress_option
@home_option
def restore_command(
    file: Path, shows_progress: bool, home: Path, replaces: bool, **chosen: Any
) -> None:
    """Replace the database of the instance by the backup FILE.

    First stop the server and every command on this folder. The replaced
    files stay beside the database until you remove them.
    """
    with errors_as_messages(), progress_shown(shows_progress) as progress:
        settings = settings_of(home)
        if settings.database:
            done = restore_on_server(settings, file, **chosen, replaces=replaces, progress=progress)
        else:
            done = restore_backup(settings, file, **chosen, progress=progress)
    results = done.condition.rows_of("submission")
    where = "KBAPI_DATABASE" if settings.database else home
    click.echo(f"{where}: {results:,} results, schema {done.condition.revision}, checked.")
    if done.schema_of_old:
        click.echo(f"Kept the replaced tables: schema {done.schema_of_old}")
    for path in done.excluded:
        is_beside = path.parent == home.resolve()
        click.echo(f"Kept the replaced file: {path.name if is_beside else path}")
    if not done.is_proved:
        click.echo(paragraph(_NOT_PROVED), err=True)
    if not done.fits_secret:
        click.echo(paragraph(LOST_WITH_IT), err=True)
    if done.needs_upgrade:
        click.echo("The schema is older than the program. Next, run 'kbapi db upgrade'.", err=True)


_MOVED_AWAY: Final = (
    "The old place refuses results from now on; 'kbapi move --undo' there reverses that. Start the "
    "servers with {}."
)


@click.command("move")
@click.option(
    "--to",
    "place",
    metavar="PLACE",
    help="URL of an empty PostgreSQL database, or the folder that gets the SQLite file. Leave a "
    "password out of the URL: PGPASSWORD or ~/.pgpass has it.",
)
@click.option(
    "--undo", is_flag=True, help="Accept results again in the old place, after a move from there."
)
@progress_option
@home_option
def move_command(place: str | None, undo: bool, shows_progress: bool, home: Path) -> None:
    """Move the instance to another database.

    The server may run: it answers questions, and results get 503. All rows
    are copied and compared. Receipts and keys stay valid. The instance to
    move is in --home, or in KBAPI_DATABASE if that is set. If the command
    is interrupted, run it again.
    """
    if undo == bool(place):
        raise click.UsageError("Name either --to PLACE or --undo.")
    with errors_as_messages(), progress_shown(shows_progress) as progress:
        settings = settings_of(home)
        if place is None:
            before = undo_move(settings)
        else:
            moved = move_instance(settings, place, progress=progress)
    if place is None:
        click.echo(
            f"Results are accepted here again. {before} does not get them."
            if before
            else "The instance was not moved from here."
        )
        return
    results, rows = moved.rows_of("submission"), sum(one.rows for one in moved.tables)
    click.echo(f"{moved.place}: {results:,} results, {rows:,} rows, each compared.")
    for kept in moved.kept:
        click.echo(f"Kept what was there: {kept}")
    is_url = moved.place.startswith("postgresql://")
    how = "KBAPI_DATABASE" if is_url else f"--home {quote(moved.place)} and without KBAPI_DATABASE"
    click.echo(paragraph(_MOVED_AWAY.format(how)), err=True)


@click.command("check")
@click.option(
    "--repair-clock",
    is_flag=True,
    help="Show the days that a wrong clock wrote, and the days that would replace them.",
)
@click.option("--apply", "applies", is_flag=True, help="With --repair-clock: replace the days.")
@click.option(
    "--backup",
    "file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Check this backup and its manifest instead of the instance in --home.",
)
@progress_option
@home_option
def check_command(
    repair_clock: bool, applies: bool, file: Path | None, shows_progress: bool, home: Path
) -> None:
    """Check the database, secret, evidence, disk and clock.

    Changes nothing without --apply; the server may run. Exits with 1 when
    something is wrong.
    """
    if repair_clock:
        _repair_clock(home, applies)
        return
    if applies:
        raise click.UsageError("--apply belongs to --repair-clock.")
    with errors_as_messages(), progress_shown(shows_progress) as progress:
        findings = (
            check_instance(settings_of(home), progress)
            if file is None
            else check_backup(file, progress)
        )
    for found in findings:
        click.echo(f"{'ok' if found.is_ok else 'WRONG':<6}{found.subject:<12}{found.detail}")
    if not all(found.is_ok for found in findings):
        raise SystemExit(REFUSED)


@click.group("catalogue")
def catalogue_commands() -> None:
    """Check and explain the catalogue of chips.

    Your own files are in the folder `catalogue` of the instance. They overrule
    the bundled ones.
    """


@catalogue_commands.command("check")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
def check_catalogue_command(file: Path) -> None:
    """Check the catalogue file FILE before you copy it into the instance.

    Exits with 1 when something is wrong.
    """
    with errors_as_messages():
        parsed = parse_file(file.name, read_text(file))
    problems = problems_in(parsed, bundled_catalogue())
    for problem in problems:
        click.echo(paragraph(problem), err=True)
    if problems:
        raise SystemExit(REFUSED)
    chips = len(parsed.chips) + len(parsed.models)
    counts = f"{len(parsed.series)} series, {chips} chips, {len(parsed.facts)} facts"
    click.echo(f"{file.name}: {counts}; no problem.")


@catalogue_commands.command("show")
@click.argument("chip")
@json_option
@home_option
def show_catalogue_command(chip: str, as_json: bool, home: Path) -> None:
    """Show what the catalogue says of CHIP, and from which table.

    Without an instance in --home, only the bundled files are used.
    """
    with errors_as_messages():
        catalogue = catalogue_in(settings_of(home))
        found = resolve_chip(chip, "chip", catalogue)
        if isinstance(found, Problem):
            raise ChipUnknown(problems=[found])
    traits = list(catalogue.describe(found).traits())
    if as_json:
        click.echo(orjson.dumps({"chip": found.key, "traits": traits}))
        return
    click.echo(f"{found.key} (series {found.series})")
    for one in traits:
        general = "" if one.is_reviewed else " (general knowledge)"
        click.echo(bullet(f"{one.trait}: {one.value.rstrip('.')}{general}. From {one.origin}."))
    if not catalogue.is_described(found):
        click.echo("No table describes this chip or its series.")


def _repair_clock(home: Path, applies: bool) -> None:
    with errors_as_messages():
        instance = open_instance(settings_of(home))
        repair = clock_repair.repair_clock(instance, applies=applies)
        instance.close()
    for wrong in repair.tables:
        first, last = wrong.before
        days = sorted(set(wrong.days.values()))
        click.echo(
            bullet(
                f"{wrong.dated.name}: {len(wrong.days):,} rows, dated {first} to {last}, "
                f"{'now' if applies else 'become'} {days[0]} to {days[-1]}"
            )
        )
    click.echo(_outcome_of(repair, applies))
    click.echo(paragraph(_NOT_REPAIRED.format(repair.later_months)), err=True)


_NOT_REPAIRED: Final = (
    "Not repaired: {0.results} results and {0.notes} notes whose sender named a later month. "
    "Neither are ids, names of backups, and wrong days that are in order."
)


def _outcome_of(repair: clock_repair.ClockRepair, applies: bool) -> str:
    if not repair.tables:
        return f"No row has a wrong day. Today is {repair.today}."
    if applies:
        return "The days were replaced. Answers are computed again."
    return f"Today is {repair.today}. Nothing was changed: add --apply to replace the days."


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
    notice = f"Key {given.id} is shown only once. Send it over a safe channel and keep no copy."
    click.echo(paragraph(notice), err=True)


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
        scopes = ", ".join(key.scopes)
        click.echo(bullet(f"{key.id}: {name} ({scopes}), {key.created_day}{_ended(key)}"))


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
