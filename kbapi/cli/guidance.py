"""Questions beside the start: `kbapi gains`, `power`, `lasting`, `diagnose`."""

from pathlib import Path

import click
import orjson

from kbapi.cli import guidance_lines as lines
from kbapi.cli.cautions import tell_with_cautions
from kbapi.cli.common import answer_of, asking, asks


@click.command("gains")
@click.argument("chip")
@click.option("--load", help="Only this load class.")
@asks
def gains_command(chip: str, load: str | None, home: Path, url: str | None, as_json: bool) -> None:
    """Say what tuning changed on units of CHIP, and whether that is more than noise."""
    with asking(home, url) as door:
        reply = door.ask("GET", "/v1/gains", query=_sent(chip=chip, load=load))
    tell_with_cautions(answer_of(reply), as_json, lines.gains_in_lines)


@click.command("power")
@click.argument("chip")
@click.option("--load", help="Only this load class.")
@click.option("--keep-share", help="Share of stock performance to keep; 0.95.")
@click.option("--limit-w", help="A limit in W that you think of.")
@asks
def power_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Say which power limit of CHIP keeps most of its performance."""
    with asking(home, url) as door:
        reply = door.ask("GET", "/v1/power", query=_sent(chip=chip, **asked))
    tell_with_cautions(answer_of(reply), as_json, lines.power_in_lines)


@click.command("longevity")
@click.argument("chip")
@click.option("--domain", help="Supply rail, such as core or gpu_core.")
@click.option("--control", help="voltage_offset, count_offset or fixed_clock_voltage.")
@asks
def longevity_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Say how long settings of CHIP stayed stable, and by which margin to settle."""
    with asking(home, url) as door:
        reply = door.ask("GET", "/v1/longevity", query=_sent(chip=chip, **asked))
    tell_with_cautions(answer_of(reply), as_json, lines.lasting_in_lines)


@click.command("diagnose")
@click.argument("chip")
@click.option("--domain", required=True, help="Supply rail, such as core or gpu_core.")
@click.option(
    "--control", required=True, help="voltage_offset, count_offset or fixed_clock_voltage."
)
@click.option("--setting", type=float, help="What it is set to: mV or counts, negative is lower.")
@click.option("--days", type=int, help="How many days it was stable.")
@click.option("--changed", multiple=True, help="What has changed since; may be given again.")
@click.option("--failure", help="How it fails, such as wrong_result.")
@click.option("--load", help="Load class that it fails under.")
@click.option("--fails-at-stock", help="yes, no or unknown.")
@click.option("--read-back", type=float, help="The setting as it reads back now.")
@click.option("--shown-by", help="What else shows it in effect: less_power or more_clock.")
@asks
def diagnose_command(
    chip: str,
    home: Path,
    url: str | None,
    as_json: bool,
    changed: tuple[str, ...],
    shown_by: str | None,
    **asked: str | float | None,
) -> None:
    """Say what to find out when a setting of CHIP was stable and now is not."""
    told = {"chip": chip, **{name: value for name, value in asked.items() if value is not None}}
    body = {
        **told,
        **({"changed": list(changed)} if changed else {}),
        **({"effect": {"shown_by": shown_by}} if shown_by else {}),
    }
    with asking(home, url) as door:
        reply = door.ask("POST", "/v1/diagnose", body=orjson.dumps(body))
    tell_with_cautions(answer_of(reply), as_json, lines.diagnosis_in_lines)


def _sent(**asked: str | None) -> dict[str, str]:
    return {name: text for name, text in asked.items() if text is not None}
