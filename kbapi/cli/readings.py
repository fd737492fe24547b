"""Commands for logs: a reading of one or several runs, one's own before and after, a recording."""

import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import click
import orjson

from kbapi.cli.common import bullet, errors_as_messages, paragraph
from kbapi.errors import KbapiError
from kbapi.telemetry.before_after import compare, to_json
from kbapi.telemetry.columns import QUANTITIES
from kbapi.telemetry.reading import LogReading, read_reading, report, to_wire
from kbapi.telemetry.record import find_sensors, record
from kbapi.vocabulary import LOADS, PERFORMANCE_UNITS, READING_STATES

_COLUMNS: Final = ("time", "date", *QUANTITIES, "power_cap_w", "usage")
_PERFORMANCE: Final = re.compile(rf"([0-9.]+)(?::({'|'.join(PERFORMANCE_UNITS)}))?")


def _columns_of(given: Sequence[str], saved: Path | None) -> dict[str, str]:
    columns = {} if saved is None else dict(orjson.loads(saved.read_bytes()))
    for text in given:
        quantity, _, name = text.partition("=")
        columns[quantity.strip()] = name.strip()
    if unknown := sorted(set(columns) - set(_COLUMNS)):
        known = ", ".join(_COLUMNS)
        raise click.ClickException(f"{unknown[0]} is no quantity. Quantities are: {known}.")
    return columns


def _read(files: Sequence[Path], columns: dict[str, str], *, graphics: bool) -> list[LogReading]:
    found = []
    for file in files:
        try:
            found.append(read_reading(file, columns, graphics=graphics))
        except KbapiError as error:
            raise click.ClickException(f"{file}: {error.detail}") from None
        except LookupError as error:
            raise click.ClickException(f"{file} has no column named {error}.") from None
        except OSError as error:
            raise click.ClickException(f"{file}: {error.strerror}.") from None
    return found


def _in_lines(one: LogReading) -> Iterator[str]:
    told = report(one)
    phase = told["phase"]
    yield (
        f"{told['file']}: {told['rows']} rows, load from {phase['begins_s']:g} to "
        f"{phase['ends_s']:g} s, after {phase['warm_up_s']:g} s of warm-up."
    )
    for name, summary in one.summaries.items():
        error = summary.standard_error
        yield bullet(
            f"{name}: {summary.mean:.5g} (±{1.96 * error:.2g} within the run), highest "
            f"{summary.highest:.5g}; from {', '.join(summary.columns[:3])}"
        )
    if not phase["is_level"]:
        yield bullet("The values had not become level: a longer run would tell more.")
    for reason, count in told["rows_left_out"].items():
        yield bullet(f"{count} rows left out: {reason}.")
    for note in told["notes"]:
        yield bullet(note)
    for question in one.questions:
        yield bullet(f"? {question.text} ({', '.join(question.columns)})")


_FILES: Final = click.Path(exists=True, dir_okay=False, path_type=Path)
_log_options: Final = (
    click.option(
        "--column",
        "columns",
        multiple=True,
        metavar="QUANTITY=NAME",
        help="The column of a quantity, for example power_w='Package power'; with NAME:UNIT its unit.",
    ),
    click.option("--columns-from", type=_FILES, help="A JSON file that names columns."),
    click.option("--graphics", is_flag=True, help="Read the graphics chip, not the processor."),
    click.option("--json", "as_json", is_flag=True, help="Print JSON."),
)


def _with_log_options(command: Any) -> Any:
    for option in reversed(_log_options):
        command = option(command)
    return command


@click.group("reading", invoke_without_command=False)
def reading_commands() -> None:
    """Turn sensor logs into readings, and record sensors."""


@reading_commands.command("from-logs")
@click.argument("logs", nargs=-1, required=True, type=_FILES)
@click.option(
    "--state", type=click.Choice(READING_STATES), required=True, help="What was in force."
)
@click.option("--load", type=click.Choice(LOADS), required=True, help="The load class.")
@click.option("--performance", metavar="NUMBER:UNIT", help="The mean score of the runs.")
@click.option(
    "--report",
    "report_to",
    type=click.Path(path_type=Path),
    help="Write what was done to each log.",
)
@_with_log_options
def reading_command(
    logs: tuple[Path, ...],
    state: str,
    load: str,
    performance: str | None,
    report_to: Path | None,
    columns: tuple[str, ...],
    columns_from: Path | None,
    graphics: bool,
    as_json: bool,
) -> None:
    """Read one or several runs of one load as a reading of a result.

    Idle time and the warm-up are cut. What the log does not tell is asked for: the exit status is
    then 1.
    """
    with errors_as_messages():
        found = _read(logs, _columns_of(columns, columns_from), graphics=graphics)
    wire = to_wire(found, state, load, _performance(performance))
    if report_to is not None:
        report_to.write_bytes(
            orjson.dumps([report(one) for one in found], option=orjson.OPT_INDENT_2)
        )
    if as_json:
        click.echo(orjson.dumps(wire, option=orjson.OPT_INDENT_2))
    else:
        for one in found:
            click.echo("\n".join(_in_lines(one)))
        click.echo(orjson.dumps(wire, option=orjson.OPT_INDENT_2).decode())
    if any(one.questions for one in found):
        sys.exit(1)


def _performance(text: str | None) -> tuple[float, str] | None:
    if text is None:
        return None
    found = _PERFORMANCE.fullmatch(text)
    if found is None:
        units = ", ".join(PERFORMANCE_UNITS)
        raise click.ClickException(
            f"Write a number and a unit, as 41.2:jobs_per_h. Units are: {units}."
        )
    return float(found[1]), found[2] or "other"


@reading_commands.command("record")
@click.option(
    "--seconds",
    type=click.FloatRange(1, 86_400),
    default=600.0,
    show_default=True,
    help="For how long.",
)
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(0.1, 60),
    default=1.0,
    show_default=True,
    help="Seconds between rows.",
)
@click.option("--to", "to", type=click.Path(path_type=Path), required=True, help="The new log.")
def record_command(seconds: float, every_s: float, to: Path) -> None:
    """Record the kernel's sensors of this machine into a log (Linux)."""
    sensors = find_sensors()
    if not sensors:
        raise click.ClickException("The kernel shows no sensor here. Energy often needs sudo.")
    try:
        rows = record(to, sensors, seconds, every_s)
    except FileExistsError:
        raise click.ClickException(f"{to} exists. Name a new file.") from None
    click.echo(f"{rows} rows in {to}: {', '.join(one.name for one in sensors)}")


@click.command("before-after")
@click.option(
    "--stock",
    "stock",
    multiple=True,
    required=True,
    type=_FILES,
    help="A log at stock; repeat it for each run.",
)
@click.option(
    "--tuned",
    "tuned",
    multiple=True,
    required=True,
    type=_FILES,
    help="A log tuned; repeat it for each run.",
)
@click.option(
    "--score-stock", multiple=True, type=float, help="The score of each run at stock, in order."
)
@click.option(
    "--score-tuned", multiple=True, type=float, help="The score of each run tuned, in order."
)
@_with_log_options
def before_after_command(
    stock: tuple[Path, ...],
    tuned: tuple[Path, ...],
    score_stock: tuple[float, ...],
    score_tuned: tuple[float, ...],
    columns: tuple[str, ...],
    columns_from: Path | None,
    graphics: bool,
    as_json: bool,
) -> None:
    """Compare your own runs at stock and tuned; no server is needed.

    Three runs each, in turns, show how much runs differ by themselves.
    """
    with errors_as_messages():
        named = _columns_of(columns, columns_from)
        sides = _read(stock, named, graphics=graphics), _read(tuned, named, graphics=graphics)
    scores = (score_stock, score_tuned) if score_stock or score_tuned else None
    try:
        result = compare(*sides, scores)
    except ValueError as error:
        raise click.ClickException(f"Give {error}.") from None
    if as_json:
        click.echo(orjson.dumps(to_json(result), option=orjson.OPT_INDENT_2))
        return
    click.echo(paragraph(result.sentence))
    for one in result.changes:
        click.echo(bullet(one.text))
