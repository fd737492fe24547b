"""`kbapi demo`: an instance of the invented club, one more result, and its effect."""

from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any, Final

import click
import orjson

from kbapi.cli.common import (
    errors_as_messages,
    json_option,
    paragraph,
    print_answer,
    progress_option,
    settings_of,
    show_progress,
)
from kbapi.cli.lines import accepted_in_lines, start_in_lines
from kbapi.cli.questions import cautions_in_lines, has_seen_all_today
from kbapi.errors import DocumentRefused

if TYPE_CHECKING:  # they load for long, and help needs none of them
    from kbapi.demo.results import ClubResult
    from kbapi.instance.instance import Instance

_SEED: Final = 6
_CHIP: Final = "norvane-sable-7-4820mx"
_USUAL_RESULTS: Final = 6_000
_MOST_RESULTS: Final = 1_000_000

_ONE_MORE: Final[dict[str, Any]] = {
    "chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
    "unit_token": "tidewater-synthetic-unit-of-a-late-member",
    "contributor_token": "tidewater-synthetic-late-member",
    "stock_passed": [{"load": "all_core", "minutes": 20}],
    "settings": [
        {
            "domain": "core",
            "control": "voltage_offset",
            "moved_with": ["ring"],
            "stable_at": -55,
            "unstable_at": -60,
            "failure": "wrong_result",
            "effect": {"shown_by": "failed_deeper"},
            "loads": ["all_core", "vector_heavy"],
            "minutes": 65,
            "checked_results": True,
        }
    ],
    "measured_in": "2026-09",
}
"""The result of a late member: a failure that is closer to stock than most."""


@click.command("demo")
@click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("kbapi-demo"),
    show_default=True,
    help="Folder for the demo instance.",
)
@click.option(
    "--results",
    type=click.IntRange(0, _MOST_RESULTS),
    default=_USUAL_RESULTS,
    show_default=True,
    help="Number of invented results to send, up to 1,000,000.",
)
@click.option("--serve/--no-serve", default=True, help="Serve the instance at the end.")
@click.option(
    "--port", default=8080, show_default=True, help="Port to serve on, for this machine only."
)
@progress_option
@json_option
def demo_command(
    home: Path, results: int, serve: bool, port: int, shows_progress: bool, as_json: bool
) -> None:
    """Create an instance with invented results, and serve it.

    Shows the suggested start before and after one more result.
    """
    from kbapi.demo.members import install_catalogue
    from kbapi.instance.instance import create_or_open_instance

    with errors_as_messages():
        instance = create_or_open_instance(settings_of(home))
        install_catalogue(instance.settings.catalogue_path)
        if not as_json:
            click.echo(paragraph(_INVENTED.format(results, home)))
        stored = _fill(instance, results, shows_progress)
        answers = _before_and_after(instance)
        instance.close()
    counts = {"home": str(home), "stored": stored, "refused": results - stored}
    print_answer(counts | answers, as_json, _demo_in_lines)
    if serve:
        _serve(home, port, is_silent=as_json)


_INVENTED: Final = (
    "The Tidewater Bench Club is invented, with its makers, chips, machines and members. {:,} "
    "synthetic results go into {}."
)


def _fill(instance: "Instance", results: int, shows_progress: bool) -> int:
    """The number of stored results."""
    from kbapi.curation.notes import store_notes
    from kbapi.demo.members import note_texts
    from kbapi.demo.results import as_batches, club_results

    store_notes(instance, note_texts())
    # The same random numbers each time: a second demo sends the same results again.
    sent = club_results(results, Random(_SEED))  # noqa: S311 - synthetic data, no secret
    # Separate random numbers, so that follow-ups change no result.
    later = Random(_SEED + 1)  # noqa: S311 - synthetic data, no secret
    batches = as_batches(show_progress(sent, results, "Sending", shows_progress))
    return sum(_stored(instance, batch, later) for batch in batches)


def _stored(instance: "Instance", results: "list[ClubResult]", later: Random) -> int:
    """The number of stored results; results with mistakes are refused."""
    from kbapi.demo.results import as_lines, draw_follow_up
    from kbapi.intake.batch import accept_batch
    from kbapi.intake.follow_up import accept_follow_up

    follow_ups = [draw_follow_up(later, result) for result in results]
    try:
        response = accept_batch(
            instance, as_lines(result.document for result in results), is_ndjson=True
        )
    except DocumentRefused:
        return 0
    for item, follow_up in zip(response.items, follow_ups, strict=True):
        # A second demo has sent the follow-ups already.
        if follow_up and item.id and item.receipt and item.status != "repeated":
            accept_follow_up(instance, item.id, item.receipt, orjson.dumps(follow_up))
    return response.counts.stored


def _before_and_after(instance: "Instance") -> dict[str, Any]:
    """The answers before and after one more result, and the answer to that result."""
    from kbapi.demo.truth import CLIENT
    from kbapi.intake.submit import accept_submission

    before = _ask(instance)
    accepted = accept_submission(instance, orjson.dumps(_ONE_MORE | {"client": CLIENT}))
    return {
        "before": before,
        "one_more": orjson.loads(orjson.dumps(accepted)),
        "after": _ask(instance),
    }


def _demo_in_lines(shown: dict[str, Any]) -> str:
    before, after = shown["before"], shown["after"]
    return "\n".join(
        (
            paragraph(
                f"{shown['stored']:,} results were stored. {shown['refused']:,} were refused: they "
                "have a wrong unit of measure or a missing sign."
            ),
            "\n--- Before " + "-" * 69,
            start_in_lines(before),
            *cautions_in_lines(before, has_seen_all=has_seen_all_today()),
            "\n--- One more result: passed at -55 mV, failed at -60 mV " + "-" * 24,
            accepted_in_lines(shown["one_more"]),
            "\n--- After " + "-" * 70,
            paragraph(after["summary"]),
            _change(before, after),
        )
    )


def _ask(instance: "Instance") -> dict[str, Any]:
    from kbapi.advice.start.answer import advise_start
    from kbapi.advice.start.query import parse_question

    question = parse_question({"chip": [_CHIP]}, instance.catalogue)
    answer: dict[str, Any] = orjson.loads(advise_start(instance, question).body)
    return answer


def _change(before: dict[str, Any], after: dict[str, Any]) -> str:
    if before["start"] is None or after["start"] is None:
        return "One of the two answers has no start. Its summary gives the cause."
    if before["start"]["grid_steps"] == after["start"]["grid_steps"]:
        return paragraph(
            f"The start stays at {after['start']['setting_mv']} mV. One more failure near stock "
            "changes nothing among so many results."
        )
    return paragraph(
        f"The start moved from {before['start']['setting_mv']} mV to "
        f"{after['start']['setting_mv']} mV. One failure near stock makes the first step of the "
        "next member safer."
    )


def _serve(home: Path, port: int, *, is_silent: bool) -> None:
    from kbapi.server.serve import default_workers, one_process_notice, serve

    if not is_silent:
        _print_first_requests(f"http://127.0.0.1:{port}")
    with errors_as_messages():
        settings = settings_of(home)
        if notice := one_process_notice(settings):
            click.echo(paragraph(notice), err=True)
        serve(settings, "127.0.0.1", port, workers=default_workers(settings), threads=64)


def _print_first_requests(base: str) -> None:
    click.echo(f"\nServing on {base} (stop with Ctrl-C). In another terminal:\n")
    click.echo(f"  curl '{base}/v1/start?chip={_CHIP}'")
    click.echo(f"  curl '{base}/v1/start?chip=ketterly-drift-6-2350u&stable_share=0.8'")
    click.echo(
        f"  curl {base}/v1/submissions -H 'Content-Type: application/json' -d "
        f"'{orjson.dumps(_smallest_result()).decode()}'"
    )
    click.echo(f"\nThe API document, to read and to try: {base}/docs\n")


def _smallest_result() -> dict[str, Any]:
    setting = {
        "domain": "core",
        "control": "voltage_offset",
        "stable_at": -80,
        "unstable_at": -85,
        "minutes": 15,
    }
    return {"chip": _CHIP, "settings": [setting]}
