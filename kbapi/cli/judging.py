"""`kbapi find-outliers`: every pool judged from scratch, beside what was kept of it."""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import click

from kbapi.cli.common import home_option, paragraph, settings_of, told_errors
from kbapi.cli.progress import told_progress
from kbapi.evidence.verdicts import Rejudged, rejudge
from kbapi.storage.instance import open_instance
from kbapi.storage.judging_rows import KeptVerdicts
from kbapi.storage.pool_rows import load_all_pools

_WHY = {
    "outlier_deep": "far deeper than the pool",
    "outlier_shallow": "far shallower than the pool",
}


@click.command("find-outliers")
@home_option
@click.option("--apply", "keep", is_flag=True, help="Keep what is found; else nothing is written.")
def rejudge_command(home: Path, keep: bool) -> None:
    """Judge every pool from scratch, and say what is different and why.

    Answers judge their pool anyway. What is kept here is what senders and
    curators are told: units set aside, and contributors unlike their pool.
    """
    with told_errors():
        instance = open_instance(settings_of(home))
        with instance.reading() as connection:
            pools = [pool for pool in load_all_pools(connection) if pool.units]
        found = [
            judged
            for pool in told_progress(pools, len(pools), "Judging")
            if (judged := rejudge(instance, pool, keep=keep)) is not None
        ]
        instance.close()
    changed = [judged for judged in found if judged.has_changed]
    for judged in changed:
        click.echo("\n".join(_in_lines(judged)))
    done = "kept" if keep else "would change; --apply keeps it"
    click.echo(f"{len(changed):,} of {len(found):,} pools: {done}.")


def _in_lines(judged: Rejudged) -> Iterator[str]:
    key = judged.pool.key
    band = f" from {key.clock_band_mhz} MHz" if key.clock_band_mhz else ""
    yield f"{judged.pool.chip_key}, {key.domains}, {key.control}{band}:"
    yield paragraph(_fence_in_words(judged.now), "    ")
    yield from _changes(judged, "set aside now", judged.now, judged.before)
    yield from _changes(judged, "no longer set aside", judged.before, judged.now)


def _changes(judged: Rejudged, verb: str, one: KeptVerdicts, other: KeptVerdicts) -> Iterator[str]:
    codes = Counter(unit.code for unit in set(one.units) - set(other.units))
    for code, number in sorted(codes.items()):
        yield paragraph(f"{verb}: {number:,} units that lie {_WHY[code]}", "    ")
    people = len(set(one.unlike) - set(other.unlike))
    if people:
        yield paragraph(
            f"{verb}: the units of {people:,} contributors that lie together unlike the others' of "
            f"{judged.pool.units:,}",
            "    ",
        )


def _fence_in_words(verdicts: KeptVerdicts) -> str:
    found = verdicts.judgement
    if found is None or found.deepest_steps is None:
        fence = "too few bracketed units for a fence, or too many beyond it"
    else:
        shallow = max(found.shallowest_steps or 0, 0)
        fence = f"believed from step {shallow} to step {found.deepest_steps}"
    if found is None or found.is_young:
        return f"{fence}; a young pool, where newcomers count in full"
    return f"{fence}; newcomers keep {found.newcomer_ppm / 10_000:.0f} % of their weight"
