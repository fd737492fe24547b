"""Commands of the host on a folder: upgrade, backup, restore, check, catalogue."""

from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any, Final

import click

from kbapi.cli.common import (
    REFUSED,
    CommandGroup,
    bullet,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    print_answer,
    progress_option,
    progress_shown,
    settings_of,
)
from kbapi.errors import ChipUnknown, Problem

if TYPE_CHECKING:  # the parts of an instance load for long, and help needs none of them
    from kbapi.instance.clock_repair import ClockRepair
    from kbapi.instance.restore import Restored
    from kbapi.settings import Settings


@click.group("db", cls=CommandGroup)
def database_commands() -> None:
    """Create or upgrade the database of an instance."""


@database_commands.command("upgrade")
@progress_option
@json_option
@home_option
def upgrade_command(shows_progress: bool, as_json: bool, home: Path) -> None:
    """Create the instance, or upgrade its database.

    Make a backup first: kbapi backup. The upgrade changes everything or
    nothing. It then screens the results again that older rules screened,
    and checks all pools for outliers.
    """
    from kbapi.instance.instance import open_instance, upgrade_instance
    from kbapi.intake.rescreen import check_pools, rescreen
    from kbapi.storage.schema import head_revision

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
    done: dict[str, Any] = {"home": str(home), "schema_before": before, "schema": head_revision()}
    done |= {"results_screened": screened, "pools_changed": changed}
    print_answer(done, as_json, _upgraded_in_lines)


def _upgraded_in_lines(done: dict[str, Any]) -> str:
    lines = [f"{done['home']}: schema {done['schema_before'] or 'none'} -> {done['schema']}"]
    if screened := done["results_screened"]:
        lines.append(f"{screened} results were screened again by the current rules.")
    if changed := done["pools_changed"]:
        lines.append(f"In {changed} pools the outlier check excludes other results than before.")
    return "\n".join(lines)


def _present_revision(settings: "Settings") -> str | None:
    from kbapi.storage.files import require_may_open
    from kbapi.storage.schema import current_revision

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
@json_option
@home_option
def backup_command(
    target: Path,
    keep: int | None,
    secret_file: Path | None,
    shows_progress: bool,
    as_json: bool,
    home: Path,
) -> None:
    """Copy the database into the folder TARGET.

    The server may run. The copy is checked before it gets its final name.
    A manifest with checksums is beside it.
    """
    from kbapi.instance.backup import back_up_secret, make_backup

    with errors_as_messages():
        if secret_file is not None:
            back_up_secret(settings_of(home), secret_file, target)
        with progress_shown(shows_progress) as progress:
            made = make_backup(settings_of(home), target, keep, progress=progress)
        done: dict[str, Any] = {
            "file": str(made.file),
            "results": made.condition.rows_of("submission"),
            "schema": made.condition.revision,
            "size_bytes": made.size_bytes,
            "removed": [old.name for old in made.removed],
            "dated_later": [path.name for path in made.dated_later],
            "secret_file": None if secret_file is None else str(secret_file),
        }
        print_answer(done, as_json, _backup_in_lines)
        if made.dated_later:
            later = _DATED_LATER.format(", ".join(done["dated_later"]))
            click.echo(paragraph(later), err=True)
        click.echo(paragraph(_APART if secret_file is None else _BOTH_TOGETHER), err=True)


def _backup_in_lines(done: dict[str, Any]) -> str:
    lines = [
        f"{done['file']}: {done['results']:,} results, schema {done['schema']}, "
        f"{done['size_bytes']:,} bytes, checked."
    ]
    lines += [f"Removed {name}." for name in done["removed"]]
    lines += [f"{done['secret_file']}: the secret."] if done["secret_file"] else []
    return "\n".join(lines)


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
@json_option
@home_option
def restore_command(
    file: Path,
    shows_progress: bool,
    as_json: bool,
    home: Path,
    replaces: bool,
    **chosen: Any,
) -> None:
    """Replace the database of the instance by the backup FILE.

    First stop the server and every command on this folder. The replaced
    files stay beside the database until you remove them.
    """
    from kbapi.instance.restore import LOST_WITH_IT, restore_backup, restore_on_server

    with errors_as_messages(), progress_shown(shows_progress) as progress:
        settings = settings_of(home)
        if settings.database:
            done = restore_on_server(settings, file, **chosen, replaces=replaces, progress=progress)
        else:
            done = restore_backup(settings, file, **chosen, progress=progress)
    print_answer(_restored(home, done), as_json, _restored_in_lines)
    if not done.is_proved:
        click.echo(paragraph(_NOT_PROVED), err=True)
    if not done.fits_secret:
        click.echo(paragraph(LOST_WITH_IT), err=True)
    if done.needs_upgrade:
        click.echo("The schema is older than the program. Next, run 'kbapi db upgrade'.", err=True)


def _restored(home: Path, done: "Restored") -> dict[str, Any]:
    """A restored backup, as JSON."""
    return {
        "home": str(home),
        "results": done.condition.rows_of("submission"),
        "schema": done.condition.revision,
        "kept": [
            path.name if path.parent == home.resolve() else str(path) for path in done.excluded
        ],
        "kept_schema": done.schema_of_old,
        "has_manifest": done.is_proved,
        "fits_secret": done.fits_secret,
        "needs_upgrade": done.needs_upgrade,
    }


def _restored_in_lines(done: dict[str, Any]) -> str:
    lines = [f"{done['home']}: {done['results']:,} results, schema {done['schema']}, checked."]
    lines += [f"Kept the replaced file: {path}" for path in done["kept"]]
    if done["kept_schema"]:
        lines.append(f"Kept the replaced tables: schema {done['kept_schema']}")
    return "\n".join(lines)


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
@json_option
@home_option
def move_command(
    place: str | None, undo: bool, shows_progress: bool, as_json: bool, home: Path
) -> None:
    """Move the instance to another database.

    The server may run: it answers questions, and results get 503. All rows
    are copied and compared. Receipts and keys stay valid. The instance to
    move is in --home, or in KBAPI_DATABASE if that is set. If the command
    is interrupted, run it again.
    """
    from kbapi.instance.move import move_instance, undo_move

    if undo == bool(place):
        raise click.UsageError("Name either --to PLACE or --undo.")
    with errors_as_messages(), progress_shown(shows_progress) as progress:
        settings = settings_of(home)
        if place is None:
            print_answer({"moved_to": undo_move(settings)}, as_json, _undone_in_lines)
            return
        moved = move_instance(settings, place, progress=progress)
    done = {
        "place": moved.place,
        "results": moved.rows_of("submission"),
        "rows": sum(one.rows for one in moved.tables),
        "kept": list(moved.kept),
    }
    print_answer(done, as_json, _moved_in_lines)
    is_url = moved.place.startswith("postgresql://")
    how = "KBAPI_DATABASE" if is_url else f"--home {quote(moved.place)} and without KBAPI_DATABASE"
    click.echo(paragraph(_MOVED_AWAY.format(how)), err=True)


def _undone_in_lines(done: dict[str, Any]) -> str:
    if done["moved_to"] is None:
        return "The instance was not moved from here."
    return f"Results are accepted here again. {done['moved_to']} does not get them."


def _moved_in_lines(done: dict[str, Any]) -> str:
    first = f"{done['place']}: {done['results']:,} results, {done['rows']:,} rows, each compared."
    return "\n".join([first, *(f"Kept what was there: {kept}" for kept in done["kept"])])


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
@json_option
@home_option
def check_command(
    repair_clock: bool,
    applies: bool,
    file: Path | None,
    shows_progress: bool,
    as_json: bool,
    home: Path,
) -> None:
    """Check the database, secret, evidence, disk and clock.

    Changes nothing without --apply; the server may run. Exits with 1 when
    something is wrong.
    """
    if repair_clock:
        _repair_clock(home, applies, as_json)
        return
    if applies:
        raise click.UsageError("--apply belongs to --repair-clock.")
    from kbapi.instance.check import check_backup, check_instance

    with errors_as_messages(), progress_shown(shows_progress) as progress:
        findings = (
            check_instance(settings_of(home), progress)
            if file is None
            else check_backup(file, progress)
        )
    print_answer({"findings": findings}, as_json, _findings_in_lines)
    if not all(found.is_ok for found in findings):
        raise SystemExit(REFUSED)


def _findings_in_lines(found: dict[str, Any]) -> str:
    return "\n".join(
        f"{'ok' if one.is_ok else 'WRONG':<6}{one.subject:<12}{one.detail}"
        for one in found["findings"]
    )


@click.group("catalogue", cls=CommandGroup)
def catalogue_commands() -> None:
    """Check and explain the catalogue of chips.

    Your own files are in the folder `catalogue` of the instance. They overrule
    the bundled ones.
    """


@catalogue_commands.command("check")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@json_option
def check_catalogue_command(file: Path, as_json: bool) -> None:
    """Check the catalogue file FILE before you copy it into the instance.

    Exits with 1 when something is wrong.
    """
    from kbapi.chips.catalogue_file import parse_file, problems_in, read_text
    from kbapi.instance.instance import bundled_catalogue

    with errors_as_messages():
        parsed = parse_file(file.name, read_text(file))
    problems = list(problems_in(parsed, bundled_catalogue()))
    found = {
        "file": file.name,
        "series": len(parsed.series),
        "chips": len(parsed.chips) + len(parsed.models),
        "facts": len(parsed.facts),
        "problems": problems,
    }
    if as_json or not problems:
        print_answer(found, as_json, _sound_catalogue)
    for problem in problems if not as_json else ():
        click.echo(paragraph(problem), err=True)
    if problems:
        raise SystemExit(REFUSED)


def _sound_catalogue(found: dict[str, Any]) -> str:
    counts = f"{found['series']} series, {found['chips']} chips, {found['facts']} facts"
    return f"{found['file']}: {counts}; no problem."


@catalogue_commands.command("show")
@click.argument("chip")
@json_option
@home_option
def show_catalogue_command(chip: str, as_json: bool, home: Path) -> None:
    """Show what the catalogue says of CHIP, and from which table.

    Without an instance in --home, only the bundled files are used.
    """
    from kbapi.chips.catalogue import resolve_chip
    from kbapi.instance.instance import catalogue_in

    with errors_as_messages():
        catalogue = catalogue_in(settings_of(home))
        found = resolve_chip(chip, "chip", catalogue)
        if isinstance(found, Problem):
            raise ChipUnknown(problems=[found])
    traits = list(catalogue.describe(found).traits())
    shown = {"chip": found.key, "series": found.series, "traits": traits}
    print_answer(shown, as_json, _traits_in_lines)
    if not (as_json or catalogue.is_described(found)):
        click.echo("No table describes this chip or its series.")


def _traits_in_lines(shown: dict[str, Any]) -> str:
    lines = [f"{shown['chip']} (series {shown['series']})"]
    for one in shown["traits"]:
        general = "" if one.is_reviewed else " (general knowledge)"
        lines.append(bullet(f"{one.trait}: {one.value.rstrip('.')}{general}. From {one.origin}."))
    return "\n".join(lines)


def _repair_clock(home: Path, applies: bool, as_json: bool) -> None:
    from kbapi.instance.clock_repair import repair_clock
    from kbapi.instance.instance import open_instance

    with errors_as_messages():
        instance = open_instance(settings_of(home))
        repair = repair_clock(instance, applies=applies)
        instance.close()
    tables: list[dict[str, Any]] = []
    for wrong in repair.tables:
        days = sorted(set(wrong.days.values()))
        span = {"days_before": list(wrong.before), "days": [days[0], days[-1]]}
        tables.append({"name": wrong.dated.name, "rows": len(wrong.days), **span})
    shown = {"today": repair.today, "is_applied": applies, "tables": tables}
    shown["not_repaired"] = repair.later_months
    if as_json:
        print_answer(shown, as_json, str)
        return
    for one in tables:
        (first, last), (begin, end) = one["days_before"], one["days"]
        becomes = f"{'now' if applies else 'become'} {begin} to {end}"
        click.echo(
            bullet(f"{one['name']}: {one['rows']:,} rows, dated {first} to {last}, {becomes}")
        )
    click.echo(_outcome_of(repair, applies))
    click.echo(paragraph(_NOT_REPAIRED.format(repair.later_months)), err=True)


_NOT_REPAIRED: Final = (
    "Not repaired: {0.results} results and {0.notes} notes whose sender named a later month. "
    "Neither are ids, names of backups, and wrong days that are in order."
)


def _outcome_of(repair: "ClockRepair", applies: bool) -> str:
    if not repair.tables:
        return f"No row has a wrong day. Today is {repair.today}."
    if applies:
        return "The days were replaced. Answers are computed again."
    return f"Today is {repair.today}. Nothing was changed: add --apply to replace the days."
