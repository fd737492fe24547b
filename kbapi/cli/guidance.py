"""Questions beside the start: `kbapi gains`, `power`, `lasting`, `diagnose`."""

from pathlib import Path

import click
import orjson

from kbapi.cli import guidance_lines as lines
from kbapi.cli.cautions import tell_with_cautions
from kbapi.cli.common import answer_of, asking, asks


@click.command("gains")
@click.argument("chip")
@click.option("--load", help="Use only readings under this load class.")
@asks
def gains_command(chip: str, load: str | None, home: Path, url: str | None, as_json: bool) -> None:
    """Show what tuning changed on CHIP.

    The answer compares each change with the noise of the measurements.
    """
    with asking(home, url) as door:
        reply = door.ask("GET", "/v1/gains", query=_sent(chip=chip, load=load))
    tell_with_cautions(answer_of(reply), as_json, lines.gains_in_lines)


@click.command("power")
@click.argument("chip")
@click.option("--load", help="Use only readings under this load class.")
@click.option("--keep-share", help="Share of stock performance to keep.  [default: 0.95]")
@click.option("--limit-w", help="Also describe this power limit, in W.")
@asks
def power_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Suggest a power limit for CHIP.

    It is the smallest limit that keeps the wanted share of performance.
    """
    with asking(home, url) as door:
        reply = door.ask("GET", "/v1/power", query=_sent(chip=chip, **asked))
    tell_with_cautions(answer_of(reply), as_json, lines.power_in_lines)


@click.command("longevity")
@click.argument("chip")
@click.option("--domain", help="Supply rail (domain), such as core or gpu_core.")
@click.option("--control", help="Control: voltage_offset, count_offset or fixed_clock_voltage.")
@asks
def longevity_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Show how long settings of CHIP stayed stable.

    The answer includes the margin to keep.
    """
    with asking(home, url) as door:
        reply = door.ask("GET", "/v1/longevity", query=_sent(chip=chip, **asked))
    tell_with_cautions(answer_of(reply), as_json, lines.lasting_in_lines)


@click.command("diagnose")
@click.argument("chip")
@click.option("--domain", required=True, help="Supply rail (domain), such as core or gpu_core.")
@click.option(
    "--control", required=True, help="Control: voltage_offset, count_offset or fixed_clock_voltage."
)
@click.option("--setting", type=float, help="Setting in mV or counts; negative is lower.")
@click.option("--days", type=int, help="Number of days that the setting was stable.")
@click.option(
    "--changed", multiple=True, help="Change since then, such as firmware. Repeat it for more."
)
@click.option("--failure", help="Kind of failure, such as wrong_result.")
@click.option("--load", help="Load class of the failure.")
@click.option(
    "--fails-at-stock", help="Whether the machine also fails at stock: yes, no or unknown."
)
@click.option("--read-back", type=float, help="Setting that the control reports now.")
@click.option("--shown-by", help="Other proof of effect: less_power or more_clock.")
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
    """Find out why a setting of CHIP is no longer stable."""
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
