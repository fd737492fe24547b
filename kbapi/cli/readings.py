"""Commands for logs: a reading of one or several runs, one's own before and after, a recording."""

import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
import orjson

from kbapi.cli.common import (
    CommandGroup,
    answer_of,
    brief_option,
    bullet,
    choice_option,
    connected,
    is_brief,
    json_option,
    paragraph,
    print_answer,
)
from kbapi.errors import KbapiError
from kbapi.vocabulary import LOADS, PERFORMANCE_UNITS, READING_STATES

if TYPE_CHECKING:  # logs need numpy, which most commands do not
    from kbapi.telemetry.before_after import BeforeAfter
    from kbapi.telemetry.reading import LogReading

_PERFORMANCE: Final = re.compile(rf"([0-9.]+)(?::({'|'.join(PERFORMANCE_UNITS)}))?")
_WHOLE_LOADS: Final = frozenset({"idle_resume", "light_bursts"})
"""Loads with so much idle time that a log is read as a whole."""
_FILES: Final = click.Path(exists=True, dir_okay=False, path_type=Path)
_NEW_FILE: Final = click.Path(dir_okay=False, path_type=Path)
_LOG_OPTIONS: Final = (
    click.option(
        "--column",
        "columns",
        multiple=True,
        metavar="QUANTITY=NAME",
        help="The column of a quantity, as power_w='Package power'; NAME:UNIT gives its unit.",
    ),
    click.option("--columns-from", type=_FILES, help="A JSON file that names columns."),
    click.option("--columns-to", type=_NEW_FILE, help="Write the columns in use to this file."),
    click.option("--graphics", is_flag=True, help="Read the graphics chip, not the processor."),
    click.option("--whole", "is_whole", is_flag=True, help="Read all of a log as load."),
    json_option,
)


def _with_log_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(_LOG_OPTIONS):
        command = option(command)
    return command


def _columns_of(given: Sequence[str], saved: Path | None) -> dict[str, str]:
    from kbapi.telemetry.plan import READ

    columns = {} if saved is None else dict(orjson.loads(saved.read_bytes()))
    for text in given:
        quantity, _, name = text.partition("=")
        columns[quantity.strip()] = name.strip()
    quantities = ("time", "date", *READ)
    if unknown := sorted(set(columns) - set(quantities)):
        known = ", ".join(quantities)
        raise click.ClickException(f"{unknown[0]} is no quantity. Quantities are: {known}.")
    return columns


def _read(
    files: Sequence[Path], columns: dict[str, str], *, graphics: bool, is_whole: bool
) -> list["LogReading"]:
    from kbapi.telemetry.reading import read_reading

    found = []
    for file in files:
        try:
            found.append(read_reading(file, columns, graphics=graphics, is_whole=is_whole))
        except KbapiError as error:
            raise click.ClickException(f"{file}: {error.detail}") from None
        except LookupError as error:
            raise click.ClickException(f"{file} has no column named {error}.") from None
        except OSError as error:
            raise click.ClickException(f"{file}: {error.strerror}.") from None
    return found


def _save_columns(to: Path | None, one: "LogReading") -> None:
    if to is not None:
        columns = {
            name: f"{series.columns[0]}:{series.unit}" if series.unit else series.columns[0]
            for name, series in one.log.series.items()
            if len(series.columns) == 1
        }
        to.write_bytes(orjson.dumps(columns, option=orjson.OPT_INDENT_2))


def _in_lines(one: "LogReading") -> Iterator[str]:
    from kbapi.telemetry.reading import report

    described = report(one)
    phase = described["phase"]
    yield (
        f"{described['file']}: {described['rows']} rows, load from {phase['begins_s']:g} to "
        f"{phase['ends_s']:g} s, after {phase['warm_up_s']:g} s of warm-up."
    )
    for name, summary in one.summaries.items():
        yield bullet(
            f"{name}: {summary.mean:.5g} (±{1.96 * summary.standard_error:.2g} within the run), "
            f"highest {summary.highest:.5g}; from {', '.join(summary.columns[:3])}"
        )
    if not phase["is_level"]:
        yield bullet("The values had not become level: record a longer run.")
    for reason, count in described["rows_left_out"].items():
        yield bullet(f"{count} rows left out: {reason}.")
    yield from map(bullet, described["notes"])
    for question in one.questions:
        yield bullet(f"Question: {question.text} ({', '.join(question.columns)})")


class _LogsFirst(CommandGroup):
    """Reads logs where no subcommand is named."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """The remaining arguments, of the subcommand that is meant."""
        if args and args[0] not in (*self.commands, *ctx.help_option_names):
            args = ["from-logs", *args]
        return super().parse_args(ctx, args)


@click.group("reading", cls=_LogsFirst)
def reading_commands() -> None:
    """Turn sensor logs into readings, or record sensors.

    `kbapi reading LOG...` is short for `kbapi reading from-logs LOG...`.
    """


@reading_commands.command("from-logs")
@click.argument("logs", nargs=-1, required=True, type=_FILES)
@click.option("--state", type=click.Choice(READING_STATES), required=True, help="Stock or tuned.")
@choice_option("--load", of=LOADS, about="The load class.", required=True)
@click.option("--performance", metavar="NUMBER:UNIT", help="The mean score of the runs.")
@click.option("--report", "report_to", type=_NEW_FILE, help="Write what was done to each log.")
@_with_log_options
def from_logs_command(
    logs: tuple[Path, ...],
    state: str,
    load: str,
    performance: str | None,
    report_to: Path | None,
    columns: tuple[str, ...],
    columns_from: Path | None,
    columns_to: Path | None,
    graphics: bool,
    is_whole: bool,
    as_json: bool,
) -> None:
    """Read one or several runs of one load as a reading of a result.

    Idle time and the warm-up are cut. What a log does not say is a question;
    the exit status is then 1.
    """
    from kbapi.telemetry.reading import report, to_wire

    is_whole = is_whole or load in _WHOLE_LOADS
    named = _columns_of(columns, columns_from)
    found = _read(logs, named, graphics=graphics, is_whole=is_whole)
    wire = to_wire(found, state, load, _performance(performance))
    _save_columns(columns_to, found[0])
    if report_to is not None:
        reports = [report(one) for one in found]
        report_to.write_bytes(orjson.dumps(reports, option=orjson.OPT_INDENT_2))
    if not as_json:
        click.echo("\n".join(line for one in found for line in _in_lines(one)))
    click.echo(orjson.dumps(wire, option=orjson.OPT_INDENT_2))
    _leave_with_questions(found, is_shown=not as_json)


def _leave_with_questions(found: Sequence["LogReading"], *, is_shown: bool) -> None:
    """End with status 1 where a log leaves a question; print questions that are not shown yet."""
    asked = [question for one in found for question in one.questions]
    if asked:
        if not is_shown:
            for question in asked:
                click.echo(paragraph(question.text), err=True)
        raise SystemExit(1)


def _performance(text: str | None) -> tuple[float, str] | None:
    if text is None:
        return None
    found = _PERFORMANCE.fullmatch(text)
    if found is None:
        units = ", ".join(PERFORMANCE_UNITS)
        raise click.ClickException(f"Write 41.2:jobs_per_h, for example. Units are: {units}.")
    return float(found[1]), found[2] or "other"


@reading_commands.command("record")
@click.option(
    "--seconds",
    type=click.FloatRange(1, 86_400),
    default=600.0,
    show_default=True,
    help="Length of the recording.",
)
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(0.1, 60),
    default=1.0,
    show_default=True,
    help="Seconds between two rows.",
)
@click.option("--write", "to", type=_NEW_FILE, required=True, help="The new log.")
@json_option
def record_command(seconds: float, every_s: float, to: Path, as_json: bool) -> None:
    """Record the kernel's sensors of this machine into a log (Linux)."""
    from kbapi.telemetry.record import find_sensors, record

    sensors = find_sensors()
    if not sensors:
        raise click.ClickException("The kernel shows no sensor here. Energy often needs sudo.")
    try:
        rows = record(to, sensors, seconds, every_s)
    except FileExistsError:
        raise click.ClickException(f"{to} exists. Name a new file.") from None
    names = [one.name for one in sensors]
    text = f"{rows} rows in {to}: {', '.join(names)}"
    print_answer({"file": str(to), "rows": rows, "sensors": names}, as_json, lambda _: text)


@click.command("before-after")
@click.option("--stock", multiple=True, required=True, type=_FILES, help="A log of a run at stock.")
@click.option("--tuned", multiple=True, required=True, type=_FILES, help="A log of a tuned run.")
@click.option("--score-stock", multiple=True, type=float, help="The score of each run at stock.")
@click.option("--score-tuned", multiple=True, type=float, help="The score of each tuned run.")
@choice_option("--score-unit", of=PERFORMANCE_UNITS, about="Unit of the scores.", default="other")
@choice_option(
    "--load", of=LOADS, about="Load class of all runs.", default="all_core", show_default=True
)
@click.option("--write", "document_to", type=_NEW_FILE, help="Write a result to complete and send.")
@click.option("--picture", type=_NEW_FILE, help="Write a picture: a .png or .svg file.")
@click.option(
    "--theme",
    type=click.Choice(("light", "dark")),
    default="light",
    show_default=True,
    help="Paper of the picture.",
)
@click.option("--chip", help="The chip, for --write and --to.")
@click.option("--to", "url", metavar="URL", help="Compare with other machines on this server.")
@_with_log_options
@brief_option
def before_after_command(
    stock: tuple[Path, ...],
    tuned: tuple[Path, ...],
    columns: tuple[str, ...],
    columns_from: Path | None,
    columns_to: Path | None,
    graphics: bool,
    is_whole: bool,
    as_json: bool,
    **wanted: Any,
) -> None:
    """Compare your own runs at stock and tuned; no server is needed.

    Repeat --stock and --tuned for each run. Three runs each, in turns, show
    how much runs differ by themselves.
    """
    from kbapi.telemetry.before_after import compare, to_json

    named = _columns_of(columns, columns_from)
    options = {"graphics": graphics, "is_whole": is_whole or wanted["load"] in _WHOLE_LOADS}
    sides = _read(stock, named, **options), _read(tuned, named, **options)
    _save_columns(columns_to, sides[0][0])
    scores = wanted["score_stock"], wanted["score_tuned"]
    try:
        result = compare(*sides, scores if any(scores) else None)
    except ValueError as error:
        raise click.ClickException(f"Give {error}.") from None
    shown = to_json(result)
    if wanted["url"]:
        shown["others"] = _among_others(result, wanted)
    _write_files(result, sides, wanted)
    click.echo(orjson.dumps(shown) if as_json else "\n".join(_comparison_lines(shown)))
    _leave_with_questions([one for side in sides for one in side], is_shown=False)


def _comparison_lines(shown: dict[str, Any]) -> Iterator[str]:
    yield paragraph(shown["summary"])
    if is_brief():
        # The one that matters most comes first.
        yield from (paragraph(one["text"]) for one in shown["changes"][:1])
        yield paragraph("Next: write a result with --write FILE, and send it.")
        return
    yield ""
    for one in shown["changes"]:
        yield bullet(one["text"])
    for text in shown.get("others", []):
        yield paragraph(text)


def _among_others(result: "BeforeAfter", wanted: dict[str, Any]) -> list[str]:
    """Sentences on one's own changes among those of other machines with this chip."""
    if not wanted["chip"]:
        raise click.ClickException("Name the chip with --chip.")
    names = {"performance": "own_performance_{}", "power_w": "own_power_{}_w"}
    asked = {
        names[one.quantity].format(side): ",".join(f"{run:.6g}" for run in runs)
        for one in result.changes
        if one.quantity in names
        for side, runs in (("stock", one.stock), ("tuned", one.tuned))
    }
    query = {"chip": wanted["chip"], "load": wanted["load"], **asked}
    with connected(Path(), wanted["url"]) as client:
        answer = answer_of(client.request("GET", "/v1/gains", query=query))
    texts = [
        gain["own"]["text"]
        for cell in answer["by_load"]
        for gain in cell["overall"]["gains"]
        if gain["own"] is not None
    ]
    return texts or [answer["summary"]]


def _write_files(
    result: "BeforeAfter",
    sides: tuple[list["LogReading"], list["LogReading"]],
    wanted: dict[str, Any],
) -> None:
    if wanted["document_to"] is not None:
        from kbapi.telemetry.before_after import to_document

        unit = wanted["score_unit"]
        document = to_document(result, *sides, wanted["load"], unit, wanted["chip"] or "")
        wanted["document_to"].write_bytes(orjson.dumps(document, option=orjson.OPT_INDENT_2))
    if wanted["picture"] is not None:
        from kbapi.pages.pictures.runs import chart_of_runs, picture_of_runs

        path: Path = wanted["picture"]
        if path.suffix not in (".png", ".svg"):
            raise click.ClickException("Name a .png or .svg file for the picture.")
        chart = chart_of_runs(result, *sides)
        scale = 2 if path.suffix == ".png" else 0
        path.write_bytes(picture_of_runs(chart, wanted["theme"], "page", scale))
