"""Do the demo's starts hold in the written truth: the invented club sent in, then queried."""

import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random

import orjson

from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import parse_question
from kbapi.demo.members import install_catalogue
from kbapi.demo.results import ClubResult, club_results
from kbapi.demo.truth import PoolTruth
from kbapi.instance.instance import Instance, create_or_open_instance
from kbapi.intake.batch import accept_batch
from kbapi.settings import Settings
from tests.report import Row, measured

RESULTS = 6_000
SHORT_SEEDS, FULL_SEEDS = (1,), (1, 2, 3, 4, 5)
SHORT_SERIES = ("norvane-sable-7-48", "ketterly-drift-8-23", "osmer-kestrel-650-laptop")
FEWEST_HONEST = 60
AT_ONCE = 200


def measure(*, short: bool) -> list[Row]:
    """The true stable share at each start of a pool with 60 or more honest units."""
    seeds = SHORT_SEEDS if short else FULL_SEEDS
    shares, timid = [], 0
    rows = []
    for seed in seeds:
        of_seed = list(_shares_of_seed(seed, short=short))
        shares += [share for _, share in of_seed if share is not None]
        timid += sum(share is None for _, share in of_seed)
        weakest = min((share, pool.chip) for pool, share in of_seed if share is not None)
        rows.append(
            measured(f"least true share, seed {seed}", weakest[0], "share", ">= 0.85", weakest[1])
        )
    holding = sum(share >= 0.90 for share in shares) / len(shares)
    return [
        *rows,
        measured("starts with a true share of 0.90 or more", holding, "share", ">= 0.85"),
        measured("mean true share", sum(shares) / len(shares), "share", ""),
        measured("starts asked for", len(shares), "count", ""),
        measured("pools for which there was no start", timid, "count", ""),
    ]


def _shares_of_seed(seed: int, *, short: bool) -> Iterator[tuple[PoolTruth, float | None]]:
    """Each pool with enough honest units, and the true share at its start, None without one."""
    results = [
        result
        for result in club_results(RESULTS, Random(seed))
        if not short or _chip_of(result).startswith(SHORT_SERIES)
    ]
    honest = Counter(
        limit.pool for result in results if result.standing == "honest" for limit in result.limits
    )
    with tempfile.TemporaryDirectory() as folder:
        instance = create_or_open_instance(Settings(home=Path(folder) / "home"))
        install_catalogue(instance.settings.catalogue_path)
        for first in range(0, len(results), AT_ONCE):
            _send(instance, results[first : first + AT_ONCE])
        for pool, units in honest.items():
            if units >= FEWEST_HONEST:
                yield pool, _true_share(instance, pool)
        instance.close()


def _chip_of(result: ClubResult) -> str:
    return result.limits[0].pool.chip if result.limits else ""


def _send(instance: Instance, results: list[ClubResult]) -> None:
    """Submit results, and check that intake refused those in wrong units and no other."""
    accepted = accept_batch(instance, orjson.dumps([result.document for result in results]))
    for item, result in zip(accepted.items, results, strict=True):
        assert (item.status == "refused") == (result.standing == "wrong_units"), result.document


def _true_share(instance: Instance, pool: PoolTruth) -> float | None:
    asked = {
        "chip": [pool.chip],
        "domain": [pool.domains[0]],
        "control": [pool.control],
        "moved_with": [",".join(pool.domains[1:])],
    }
    if pool.clock_mhz is not None:
        asked["clock_mhz"] = [str(pool.clock_mhz)]
    answer = orjson.loads(advise_start(instance, parse_question(asked, instance.catalogue)).body)
    return None if answer["start"] is None else pool.stable_share(answer["start"]["grid_steps"])
