"""Shared parts of commands: options, errors as messages, progress, paragraphs."""

import os
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, ClassVar, Final, Protocol, TypeVar

import click
import orjson
from click.shell_completion import CompletionItem

from kbapi.cli.api_client import ApiClient, LocalClient, RemoteClient, Reply
from kbapi.errors import (
    DocumentRefused,
    JsonUnreadable,
    KbapiError,
    KeyRefused,
    QueryInvalid,
    UnsafeSetup,
)

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

    # A command that asks a server needs no settings: they load for long.
    from kbapi.settings import Settings

T = TypeVar("T")


ShowProgress = Callable[[str, int, int], None]
"""Called with the name of a step, and how much of how much is done."""


def show_progress(
    items: Iterable[T], total: int, label: str, is_wanted: bool = False
) -> Iterator[T]:
    """The items; shows how many of them have been taken."""
    with progress_shown(is_wanted) as progress:
        for number, item in enumerate(items, start=1):
            yield item
            progress(label, number, total)


@contextmanager
def progress_shown(is_wanted: bool) -> Iterator[ShowProgress]:
    """A function that shows steps on standard error: bars on a terminal, lines if wanted."""
    if not sys.stderr.isatty():
        yield ProgressLines() if is_wanted else _show_nothing
        return
    bars = _ProgressBars()
    try:
        yield bars
    finally:
        bars.finish()


def _show_nothing(_step: str, _done: int, _total: int) -> None:
    pass


class ProgressLines:
    """Shows each step in plain lines: its begin and its end, and in between every few seconds."""

    EVERY_S: ClassVar = 5.0

    def __init__(self, now: Callable[[], float] = monotonic) -> None:
        self._now, self._printed, self._step, self._next_s = now, "", "", 0.0

    def __call__(self, step: str, done: int, total: int) -> None:
        """Nothing; prints a line if it is time for one."""
        now = self._now()
        if step == self._step and done < total and now < self._next_s:
            return
        self._step, self._next_s = step, now + self.EVERY_S
        line = f"{step}: {100 * done // max(total, 1)} %"
        if line != self._printed:
            click.echo(line, err=True)
            self._printed = line


class _ProgressBars:
    """Shows each step as a bar, one below the other."""

    def __init__(self) -> None:
        self._bar: Any = None

    def __call__(self, step: str, done: int, total: int) -> None:
        """Nothing; moves the bar of the step."""
        bar = self._bar
        if bar is None or (bar.label, bar.length) != (step, total) or done < bar.pos:
            self.finish()
            bar = self._bar = click.progressbar(length=total, label=step, file=sys.stderr)
            bar.render_progress()
        bar.update(done - bar.pos)
        if done >= total:
            self.finish()

    def finish(self) -> None:
        """Nothing; ends the line of the bar."""
        if self._bar is not None:
            self._bar.render_finish()
            self._bar = None


COLUMNS: Final = 80
REFUSED: Final = 1
COULD_NOT: Final = 3  # 2 is click's own, for a command that was typed wrong

_Command = TypeVar("_Command", bound=Callable[..., Any])


class _Option(Protocol):
    def __call__(self, command: _Command, /) -> _Command: ...


home_option = click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    envvar="KBAPI_HOME",
    show_envvar=True,
    default=Path("kbapi-home"),
    show_default=True,
    help="Folder of the instance.",
)
url_option = click.option(
    "--to",
    "url",
    metavar="URL",
    envvar="KBAPI_TO",
    show_envvar=True,
    help="Ask the server at this URL instead of the instance in --home.",
)
progress_option = click.option(
    "--progress",
    "shows_progress",
    is_flag=True,
    help="Show progress on standard error; a terminal shows it always.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
_BRIEF: Final = "kbapi.is_brief"


def _keep_brief(context: click.Context, _option: click.Parameter, value: bool) -> None:
    context.meta[_BRIEF] = value


brief_option = click.option(
    "--brief",
    is_flag=True,
    expose_value=False,
    callback=_keep_brief,
    help="Print a few lines: the number, the next step, a caution.",
)


def is_brief() -> bool:
    """Whether the present command was given --brief."""
    return bool(click.get_current_context().meta.get(_BRIEF))


class CommandGroup(click.Group):
    """A group that lists its commands with whole lines of help."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands."""
        rows = [
            (name, command.get_short_help_str(_NOT_CUT)) for name, command in self.commands.items()
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


_NOT_CUT: Final = 1_000


def choice_option(*names: str, of: Sequence[str], about: str, **more: Any) -> _Option:
    """An option whose value is one of a closed list; its help names all of them."""
    metavar = names[0].removeprefix("--").replace("-", "_").upper()
    text = f"{about} One of: {', '.join(of)}."
    return click.option(*names, type=click.Choice(of), metavar=metavar, help=text, **more)


class ListOf(click.ParamType[str]):
    """Values of a closed list, separated by commas; the shell completes the last one.

    A value may have a day, as in firmware=41.
    """

    name = "list"

    def __init__(self, choices: Sequence[str]) -> None:
        self._choices = choices

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The text, whose values are all of the list."""
        for one in str(value).split(","):
            if one.partition("=")[0].strip() not in self._choices:
                self.fail(f"{one!r} is not one of: {', '.join(self._choices)}.", param, ctx)
        return str(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """What the last value may become, after the others."""
        before, comma, last = incomplete.rpartition(",")
        return [
            CompletionItem(f"{before}{comma}{one}") for one in self._choices if one.startswith(last)
        ]


def client_options(command: _Command) -> _Command:
    """The command with the options --home, --to and --json."""
    return home_option(url_option(json_option(command)))


def answer_options(command: _Command) -> _Command:
    """The command with the options --home, --to, --json and --brief."""
    return brief_option(client_options(command))


def server_of(home: Path, url: str | None) -> str:
    """The address of the server, or the folder of the instance, that a command asks."""
    return url.rstrip("/") if url else str(home.resolve())


def settings_of(home: Path) -> "Settings":
    """The settings of the instance in this folder.

    Raises
    ------
    UnsafeSetup
        With each variable that is unknown or has an invalid value.
    """
    from pydantic import ValidationError

    from kbapi.settings import Settings

    try:
        return Settings(home=home)
    except ValidationError as error:
        raise UnsafeSetup("; ".join(_text_for(fault) for fault in error.errors())) from None


def _text_for(fault: "ErrorDetails") -> str:
    from kbapi.settings import COMMAND_VARIABLES, Settings, variable_of

    variable = variable_of("_".join(map(str, fault["loc"])))
    if fault["type"] != "extra_forbidden":
        return f"{variable} is invalid: {fault['msg']}"
    # Compared without the prefix, which all of them share.
    known = {name: variable_of(name) for name in (*Settings.model_fields, *COMMAND_VARIABLES)}
    close = get_close_matches(str(fault["loc"][0]), known, n=1, cutoff=0.6)
    return f"{variable} is not a setting" + (f": did you mean {known[close[0]]}?" if close else "")


@contextmanager
def connected(home: Path, url: str | None) -> Iterator[ApiClient]:
    """A client of the server or the folder; errors are printed and end the command."""
    with errors_as_messages():
        yield (
            RemoteClient(url, os.environ.get("KBAPI_KEY"))
            if url
            else LocalClient(settings_of(home))
        )


@contextmanager
def errors_as_messages() -> Iterator[None]:
    """Print an error with all its problems, and exit with 1 (refused) or 3 (could not)."""
    try:
        yield
    except KbapiError as error:
        problems = [
            {
                "pointer": problem.pointer,
                "code": problem.code,
                "detail": problem.detail,
                "candidates": list(problem.candidates),
            }
            for problem in error.problems
        ]
        print_problem({"title": error.title, "detail": error.detail, "errors": problems})
        refused = isinstance(error, DocumentRefused | QueryInvalid | JsonUnreadable | KeyRefused)
        raise SystemExit(REFUSED if refused else COULD_NOT) from None


def answer_of(reply: Reply) -> Any:
    """The answer in the reply; a refusal is printed with all its problems and ends the command."""
    if not reply.is_refusal:
        return reply.value
    print_problem(reply.value or {"title": f"The answer was {reply.status}", "detail": ""})
    raise SystemExit(REFUSED if reply.status < 500 else COULD_NOT)


def print_problem(problem: dict[str, Any]) -> None:
    """Print a problem document: to standard error, or as JSON in place of the answer."""
    context = click.get_current_context(silent=True)
    if context is not None and context.params.get("as_json"):
        click.echo(orjson.dumps(problem))
        return
    click.echo(paragraph(f"{problem['title']}. {problem['detail']}".strip()), err=True)
    for fault in problem.get("errors", []):
        place = f"{fault['pointer']}: " if fault["pointer"] else ""
        click.echo(paragraph(f"{place}{fault['detail']} [{fault['code']}]", "  "), err=True)
        for candidate in fault.get("candidates", []):
            click.echo(f"    {candidate}", err=True)


def print_answer(answer: Any, as_json: bool, in_lines: Callable[[Any], str]) -> None:
    """Print an answer, as JSON or in lines for people."""
    click.echo(orjson.dumps(answer) if as_json else in_lines(answer))


def paragraph(text: str, indent: str = "") -> str:
    """The text in lines of at most 80 columns."""
    return textwrap.fill(text, COLUMNS, initial_indent=indent, subsequent_indent=indent)


def bullet(text: str) -> str:
    """The text as an entry of a list, 80 columns wide."""
    return textwrap.fill(text, COLUMNS, initial_indent="  - ", subsequent_indent="    ")


def changes_of(named: Iterable[str]) -> dict[str, Any]:
    """The fields of a document for changes, each with its day in use or without.

    >>> changes_of(["season", "firmware=41"])
    {'changed': ['season'], 'change_days': [{'change': 'firmware', 'day': 41}]}
    """
    without, dated = [], []
    for text in named:
        change, has_day, day = text.strip().partition("=")
        if not has_day:
            without.append(change)
            continue
        try:
            dated.append({"change": change, "day": int(day)})
        except ValueError:
            raise click.UsageError(f"Write the day as a whole number: {change}=41.") from None
    fields = {"changed": without, "change_days": dated}
    return {name: values for name, values in fields.items() if values}
