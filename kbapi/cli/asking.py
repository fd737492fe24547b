"""`kbapi start` and `kbapi submit`: the two roads, from the terminal, on a local instance."""

from pathlib import Path
from typing import Any, BinaryIO

import click
import orjson

from kbapi.cli.common import home_option, json_option, paragraph, settings_of, told_errors
from kbapi.storage.instance import open_instance


@click.command("start")
@click.argument("chip")
@click.option("--domain", help="Supply rail, such as core or gpu_core.")
@click.option("--control", help="voltage_offset, count_offset or fixed_clock_voltage.")
@click.option("--moved-with", help="Domains that moved together, joined by commas.")
@click.option("--clock-mhz", help="Clock in MHz, with fixed_clock_voltage.")
@click.option("--stable-share", help="Share of units that should hold it, such as 0.9.")
@click.option("--confidence", help="0.8, 0.9, 0.95 or 0.99.")
@json_option
@home_option
def start_command(chip: str, home: Path, as_json: bool, **asked: str | None) -> None:
    """Say where to begin on CHIP, with how sure that is and its cautions.

    CHIP is what the system prints, or a key such as norvane-sable-7-4820mx.
    """
    from kbapi.advice.question import parse_question
    from kbapi.advice.start import advise_start

    with told_errors():
        instance = open_instance(settings_of(home))
        sent = {
            "chip": [chip],
            **{name: [text] for name, text in asked.items() if text is not None},
        }
        answer = advise_start(instance, parse_question(sent, instance.catalogue))
    if as_json:
        click.echo(answer.body)
    else:
        click.echo(start_in_lines(orjson.loads(answer.body)))


@click.command("submit")
@click.argument("file", type=click.File("rb"))
@json_option
@home_option
def submit_command(file: BinaryIO, home: Path, as_json: bool) -> None:
    """Store the result in FILE (a JSON document, - for standard input)."""
    from kbapi.intake.accept import accept_submission

    with told_errors():
        accepted = accept_submission(open_instance(settings_of(home)), file.read())
    if as_json:
        click.echo(orjson.dumps(accepted))
    else:
        click.echo(accepted_in_lines(orjson.loads(orjson.dumps(accepted))))


def start_in_lines(answer: dict[str, Any]) -> str:
    """A start answer for people, 80 columns wide."""
    lines = [paragraph(answer["summary"])]
    if answer["start"] is not None:
        lines += ["", paragraph(f"It means: {answer['means']['text']}.")]
    evidence = answer["evidence"]
    lines += [
        "",
        paragraph(
            f"Evidence: {evidence['units']} units counted, {evidence['failures']} of them failed "
            f"somewhere; {evidence['claimed']} claimed without proof of effect, "
            f"{evidence['set_aside']} set aside; latest {evidence['latest'] or 'none'}."
        ),
    ]
    if answer["nearest"]:
        lines += ["", paragraph("Related chips with results: " + ", ".join(answer["nearest"]))]
    lines += ["", "Cautions:"]
    lines += [paragraph(f"- {caution['text']}", "  ") for caution in answer["cautions"]]
    return "\n".join(lines)


def accepted_in_lines(accepted: dict[str, Any]) -> str:
    """What a sender is told, for people, 80 columns wide."""
    repeated = " (this document was here before)" if accepted["duplicate_of"] else ""
    lines = [f"Stored as {accepted['id']}{repeated}", f"Chip: {accepted['chip']['name']}"]
    for setting in accepted["settings"]:
        moved = " with ".join([setting["domain"], *setting["moved_with"]])
        lines.append(f"{moved}, {setting['control']}: {setting['status']}")
        lines += [paragraph(reason["text"], "    ") for reason in setting["reasons"]]
    return "\n".join(
        [
            *lines,
            f"Receipt: {accepted['receipt']}",
            paragraph("Keep the receipt: with it you can read or withdraw this result.", "  "),
            paragraph(accepted["thanks"]),
        ]
    )
