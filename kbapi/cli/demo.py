"""`kbapi demo`: an instance of the invented club, one more result, and what it changes."""

from pathlib import Path
from typing import Any, Final

import click
import orjson

from kbapi.advice.question import parse_question
from kbapi.advice.start import advise_start
from kbapi.cli.common import paragraph, settings_of, told_errors
from kbapi.cli.demo_results import DEMO_CHIPS, demo_results, one_more_result
from kbapi.cli.lines import accepted_in_lines, start_in_lines
from kbapi.cli.serving import serve
from kbapi.intake.accept import accept_submission
from kbapi.storage.instance import Instance, create_or_open_instance

_SEED: Final = 6
_CHIP: Final = "norvane-sable-7-4820mx"


@click.command("demo")
@click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("kbapi-demo"),
    show_default=True,
    help="Folder to make the demo instance in.",
)
@click.option("--serve/--no-serve", default=True, help="Serve the instance afterwards.")
@click.option("--port", default=8080, show_default=True, help="Port to serve on, loopback only.")
def demo_command(home: Path, serve: bool, port: int) -> None:
    """Make an instance with invented results, send one more, see the answer change."""
    with told_errors():
        instance = create_or_open_instance(settings_of(home))
        _fill(instance)
        _tell_before_and_after(instance)
        instance.close()
    if serve:
        _serve(home, port)


def _fill(instance: Instance) -> None:
    total = sum(chip.units for chip in DEMO_CHIPS)
    click.echo(
        paragraph(
            "The Tidewater Bench Club is invented, and so are its makers, chips and results: "
            f"{total} results of {len(DEMO_CHIPS)} chips go into {instance.settings.home}."
        )
    )
    with click.progressbar(demo_results(_SEED), length=total, label="Sending") as results:
        for result in results:
            accept_submission(instance, orjson.dumps(result))


def _tell_before_and_after(instance: Instance) -> None:
    before = _ask(instance)
    click.echo("\n--- Before " + "-" * 69)
    click.echo(start_in_lines(before))
    accepted = accept_submission(instance, orjson.dumps(one_more_result()))
    click.echo("\n--- One more result: passed at -55 mV, failed at -60 mV " + "-" * 24)
    click.echo(accepted_in_lines(orjson.loads(orjson.dumps(accepted))))
    after = _ask(instance)
    click.echo("\n--- After " + "-" * 70)
    click.echo(paragraph(after["summary"]))
    click.echo(_change(before, after))


def _ask(instance: Instance) -> dict[str, Any]:
    question = parse_question({"chip": [_CHIP]}, instance.catalogue)
    answer: dict[str, Any] = orjson.loads(advise_start(instance, question).body)
    return answer


def _change(before: dict[str, Any], after: dict[str, Any]) -> str:
    if before["start"] is None or after["start"] is None:
        return "One of the two answers has no start; its summary says why."
    told = (
        f"The start went from {before['start']['setting_mv']} mV to "
        f"{after['start']['setting_mv']} mV: one honest failure near stock makes everybody's "
        "first step safer."
    )
    return paragraph(told)


def _serve(home: Path, port: int) -> None:
    base = f"http://127.0.0.1:{port}"
    click.echo(f"\nServing on {base} (Ctrl-C ends it). In another terminal:\n")
    click.echo(f"  curl '{base}/v1/start?chip={_CHIP}'")
    click.echo(f"  curl '{base}/v1/start?chip=ketterly-drift-6-2350u&stable_share=0.8'")
    click.echo(
        f"  curl {base}/v1/submissions -H 'Content-Type: application/json' -d "
        f"'{orjson.dumps(_smallest_result()).decode()}'"
    )
    click.echo(f"\nThe API for reading and trying: {base}/docs\n")
    serve(home, "127.0.0.1", port, workers=2, threads=32)


def _smallest_result() -> dict[str, Any]:
    setting = {
        "domain": "core",
        "control": "voltage_offset",
        "stable_at": -80,
        "unstable_at": -85,
        "minutes": 15,
    }
    return {"chip": _CHIP, "settings": [setting]}
