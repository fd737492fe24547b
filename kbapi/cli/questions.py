"""Commands for identify, start, stability, locks and chips; answers include cautions."""

from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.common import (
    REFUSED,
    CommandGroup,
    ListOf,
    answer_of,
    answer_options,
    bullet,
    choice_option,
    client_options,
    connected,
    errors_as_messages,
    home_option,
    is_brief,
    json_option,
    paragraph,
    print_answer,
    settings_of,
)
from kbapi.client.kbapi_client import settings_folder
from kbapi.vocabulary import (
    CHIP_KINDS,
    CONTROLS,
    COOLING,
    DOMAINS,
    GRADES,
    LIMIT_CONTROLS,
    LOADS,
    SUPPLIES,
)

if TYPE_CHECKING:
    from kbapi.cli.this_machine import PrintedName


@click.command("cautions")
@json_option
def cautions_command(as_json: bool) -> None:
    """Print every caution that belongs to answers."""
    from kbapi.advice.cautions import every_caution

    cautions = [{"code": one.code, "text": one.text} for one in every_caution()]
    print_answer({"cautions": cautions}, as_json, _all_cautions)


def _all_cautions(answer: dict[str, Any]) -> str:
    return "\n".join(bullet(caution["text"]) for caution in answer["cautions"])


def print_with_cautions(
    answer: Any,
    as_json: bool,
    in_lines: Callable[[Any], str],
    in_brief: Callable[[Any], Iterable[str]],
) -> None:
    """Print an answer with its cautions, as JSON, in lines for people, or in a few of them."""
    if as_json:
        click.echo(orjson.dumps(answer))
        return
    if is_brief():
        caution = f"Caution: {answer['cautions'][0]['text']}"
        texts = (answer["chip"]["name"], *in_brief(answer), caution)
        click.echo("\n".join(map(paragraph, texts)))
        return
    click.echo(in_lines(answer))
    click.echo("\n".join(cautions_in_lines(answer, has_seen_all=has_seen_all_today())))


def cautions_in_lines(answer: dict[str, Any], *, has_seen_all: bool) -> list[str]:
    """The cautions of an answer: all, or the first one and the command for the others."""
    first, *others = answer["cautions"]
    if not has_seen_all:
        return ["", "Cautions:", *(bullet(caution["text"]) for caution in (first, *others))]
    more = f"{len(others)} more cautions: kbapi cautions"
    return ["", paragraph(f"Caution: {first['text']}"), more]


def has_seen_all_today() -> bool:
    """Whether all cautions were printed earlier today; records that they are printed now.

    If the record cannot be written, they are printed again next time.
    """
    path = settings_folder() / "cautions-printed"
    today = date.today().isoformat()
    try:
        if path.exists() and path.read_text("utf-8").strip() == today:
            return True
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.write_text(f"{today}\n", "utf-8")
    except (OSError, UnicodeDecodeError):
        pass
    return False


def _about_a_chip(command: Any) -> Any:
    """The options of a question about one chip's control."""
    for option in (
        click.option("--microcode", help="Use only results with this microcode."),
        click.option("--firmware", help="Use only results with this firmware."),
        click.option("--machine", help="Use only results of this machine class."),
        choice_option("--supply", of=SUPPLIES, about="Use only results with this power supply."),
        choice_option("--cooling", of=COOLING, about="Use only machines with this cooling."),
        choice_option("--grade", of=GRADES, about="Use only results with this grade or better."),
        choice_option("--load", of=LOADS, about="Use only results under this load class."),
        click.option("--confidence", help="Confidence of the answer: 0.9, 0.95 or 0.99."),
        click.option(
            "--stable-share", help="Share of units that are stable at the start, such as 0.9."
        ),
        click.option("--clock-mhz", help="Clock in MHz, for fixed_clock_voltage."),
        click.option(
            "--moved-with",
            type=ListOf(DOMAINS),
            help="Domains that moved together, separated by commas.",
        ),
        choice_option("--control", of=LIMIT_CONTROLS, about="Control."),
        choice_option("--domain", of=DOMAINS, about="Supply rail (domain)."),
        click.argument("chip"),
    ):
        command = option(command)
    return answer_options(command)


def _sent(chip: str, asked: dict[str, str | None]) -> dict[str, str]:
    return {"chip": chip, **{name: text for name, text in asked.items() if text is not None}}


@click.command("start")
@_about_a_chip
@click.option(
    "--percentiles", is_flag=True, help="Also print the settings for other shares of units."
)
@click.option("--options", is_flag=True, help="Also print what searches of other risks take.")
@click.option("--failure-minutes", help="With --options: minutes that a failure costs.")
@click.option(
    "--value-per-mv-minutes", help="With --options: minutes of search that one mV is worth."
)
@click.option("--value-per-count-minutes", help="The same for one count, with count_offset.")
def start_command(
    chip: str,
    home: Path,
    url: str | None,
    as_json: bool,
    percentiles: bool,
    options: bool,
    **asked: str | None,
) -> None:
    """Suggest where to start on CHIP.

    CHIP is the name that the system prints, or a catalogue key. The answer
    includes its confidence and the cautions.
    """
    if percentiles and options:
        raise click.UsageError("Choose one of --percentiles and --options.")
    detail = "percentiles" if percentiles else "options" if options else None
    with connected(home, url) as api_client:
        reply = api_client.request(
            "GET", "/v1/start", query=_sent(chip, {**asked, "detail": detail})
        )
    print_with_cautions(answer_of(reply), as_json, lines.start_in_lines, lines.start_in_brief)


@click.command("stability")
@_about_a_chip
def stability_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Draw the share of stable units of CHIP at each setting."""
    with connected(home, url) as api_client:
        reply = api_client.request("GET", "/v1/stability", query=_sent(chip, asked))
    print_with_cautions(
        answer_of(reply), as_json, lines.stability_in_lines, lines.stability_in_brief
    )


@click.command("locks")
@click.argument("chip")
@choice_option("--domain", of=DOMAINS, about="Show only this supply rail (domain).")
@choice_option("--control", of=CONTROLS, about="Show only this control.")
@click.option("--machine", help="Use only reports of this machine class.")
@click.option(
    "--firmware-month", help="Use only reports with firmware of this month, such as 2026-03."
)
@answer_options
def locks_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Show which controls of CHIP are locked.

    The answer includes what is possible on a locked machine.
    """
    with connected(home, url) as api_client:
        reply = api_client.request("GET", "/v1/locks", query=_sent(chip, asked))
    print_with_cautions(answer_of(reply), as_json, lines.locks_in_lines, lines.locks_in_brief)


@click.command("identify")
@click.argument("text", required=False)
@answer_options
def identify_command(text: str | None, home: Path, url: str | None, as_json: bool) -> None:
    """Show which chip TEXT names, or the chips of this machine.

    Needs no instance. Exits with 1 unless each text names exactly one chip.
    """
    from kbapi.cli.this_machine import PrintedName, printed_names

    names = [PrintedName(None, text)] if text else printed_names()
    if not names:
        click.echo("This system reports no chip names. Give a name as TEXT.", err=True)
        raise SystemExit(REFUSED)
    answers = [_identify(name, home, url) for name in names]
    if as_json:
        click.echo(orjson.dumps({"names": answers}))
    in_lines = lines.identified_in_brief if is_brief() else lines.identified_in_lines
    for name, answer in zip(names, answers, strict=True) if not as_json else ():
        click.echo(f"{name.text.strip()}\n{in_lines(answer)}")
    if any(answer["match"] != "exact" for answer in answers):
        raise SystemExit(REFUSED)


def _identify(name: "PrintedName", home: Path, url: str | None) -> dict[str, Any]:
    if url is None:
        from kbapi.advice.identify import identify_with
        from kbapi.instance.instance import catalogue_in

        catalogue = catalogue_in(settings_of(home))
        found = identify_with(name.text, catalogue, kind=name.kind, ids=name.ids)
        local_answer: dict[str, Any] = orjson.loads(orjson.dumps(found))
        return local_answer
    numbers = {key: str(value) for key, value in name.numbers().items()}
    with connected(home, url) as api_client:
        answer: dict[str, Any] = answer_of(
            api_client.request("GET", "/v1/identify", query={"text": name.text, **numbers})
        )
    return answer


@click.group("chips", cls=CommandGroup, invoke_without_command=True)
@choice_option("--kind", of=CHIP_KINDS, about="Show only this kind.")
@click.option("--series", help="Show only this series.")
@click.option("--limit", help="Most chips to show, up to 200.  [default: 50]")
@click.option("--cursor", help="Continue from the cursor that the previous page printed.")
@client_options
def chips_commands(home: Path, url: str | None, as_json: bool, **asked: str | None) -> None:
    """List the chips that the instance knows."""
    if click.get_current_context().invoked_subcommand is None:
        _list_chips(home, url, as_json, asked)


@chips_commands.command("search")
@click.argument("text")
@click.option("--limit", help="Most chips to show, up to 200.  [default: 50]")
@client_options
def search_command(
    text: str, limit: str | None, home: Path, url: str | None, as_json: bool
) -> None:
    """Find chips with a name like TEXT, with at most one typing error."""
    _list_chips(home, url, as_json, {"search": text, "limit": limit})


@chips_commands.command("rebuild")
@click.option(
    "--apply",
    "is_applied",
    is_flag=True,
    help="Change the results; without it, only show the changes.",
)
@json_option
@home_option
def rebuild_command(is_applied: bool, as_json: bool, home: Path) -> None:
    """Read all stored chip names again.

    Use it after a change of the catalogue. Without --apply it only shows
    what would change. With --apply, results move with their evidence to the
    chip that the new reading names.
    """
    from kbapi.instance.instance import open_instance
    from kbapi.intake.rescreen import reread_chips

    with errors_as_messages():
        found = reread_chips(open_instance(settings_of(home)), is_applied=is_applied)
    print_answer(orjson.loads(orjson.dumps(found)), as_json, lines.reread_in_lines)


def _list_chips(home: Path, url: str | None, as_json: bool, asked: dict[str, str | None]) -> None:
    query = {name: text for name, text in asked.items() if text is not None}
    with connected(home, url) as api_client:
        reply = api_client.request("GET", "/v1/chips", query=query)
    print_answer(answer_of(reply), as_json, lines.chips_in_lines)
