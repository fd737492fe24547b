"""`kbapi find-outliers`: every pool judged from scratch, beside what was kept of it."""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import click

from kbapi.cli.common import home_option, paragraph, settings_of, told_errors
from kbapi.cli.progress import told_progress
from kbapi.evidence.verdicts import Rejudged
from kbapi.intake.rescreen import rejudge
from kbapi.storage.instance import open_instance
from kbapi.storage.judging_rows import KeptVerdicts
from kbapi.storage.pool_rows import load_all_pools

_WHY = {
    "outlier_deep": "outliers on the deep side",
    "outlier_shallow": "outliers on the shallow side",
}


@click.command("find-outliers")
@home_option
@click.option(
    "--apply", "keep", is_flag=True, help="Store the findings; without it, only show them."
)
def rejudge_command(home: Path, keep: bool) -> None:
    """Check all pools for outliers, and show what changed.

    Every answer checks its own pool. With --apply, senders and curators
    also see the outliers and the contributors that differ from their pool.
    """
    with told_errors():
        instance = open_instance(settings_of(home))
        with instance.reading() as connection:
            pools = [pool for pool in load_all_pools(connection) if pool.units]
        found = [
            judged
            for pool in told_progress(pools, len(pools), "Checking pools")
            if (judged := rejudge(instance, pool, keep=keep)) is not None
        ]
        instance.close()
    changed = [judged for judged in found if judged.has_changed]
    for judged in changed:
        click.echo("\n".join(_in_lines(judged)))
    done = (
        "The findings are stored."
        if keep
        else "Nothing was stored; store the findings with --apply."
    )
    click.echo(f"{len(changed):,} of {len(found):,} pools changed. {done}")


def _in_lines(judged: Rejudged) -> Iterator[str]:
    key = judged.pool.key
    band = f" from {key.clock_band_mhz} MHz" if key.clock_band_mhz else ""
    yield f"{judged.pool.chip_key}, {key.domains}, {key.control}{band}:"
    yield paragraph(_cutoffs_in_words(judged.now), "    ")
    yield from _changes(judged, "Excluded now", judged.now, judged.before)
    yield from _changes(judged, "Counted again", judged.before, judged.now)


def _changes(judged: Rejudged, verb: str, one: KeptVerdicts, other: KeptVerdicts) -> Iterator[str]:
    codes = Counter(unit.code for unit in set(one.units) - set(other.units))
    for code, number in sorted(codes.items()):
        yield paragraph(f"{verb}: {number:,} units that are {_WHY[code]}.", "    ")
    people = len(set(one.unlike) - set(other.unlike))
    if people:
        yield paragraph(
            f"{verb}: the units of {people:,} contributors, which differ as a group from the "
            f"other units of the pool ({judged.pool.units:,} in all).",
            "    ",
        )


def _cutoffs_in_words(verdicts: KeptVerdicts) -> str:
    found = verdicts.judgement
    if found is None or found.deep_cutoff_steps is None:
        cutoffs = (
            "No outlier cutoffs: too few units with a pass and a failure, or too many outliers"
        )
    else:
        shallow = max(found.shallow_cutoff_steps or 0, 0)
        cutoffs = f"Outlier cutoffs: steps {shallow} to {found.deep_cutoff_steps}"
    if found is None or found.is_young:
        return f"{cutoffs}. The pool is young: new contributors count in full."
    kept = found.newcomer_weight_ppm / 10_000
    return f"{cutoffs}. New contributors keep {kept:.0f} % of their weight."
