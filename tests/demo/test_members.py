"""The club's documents: shares as in the table, equal bytes for equal seeds, plain labels."""

import tomllib
from collections import Counter
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from random import Random

import orjson
import pytest

from kbapi.chips.grammar.reading import MAKERS
from kbapi.chips.naming import identify_chip
from kbapi.demo import truth
from kbapi.demo.members import bundled_club, pool_truths
from kbapi.demo.results import ClubResult, club_documents, club_results
from kbapi.demo.truth import COOLING

ROOT = Path(__file__).parents[2]
README = (ROOT / "kbapi" / "demo" / "README.md").read_text()
RESULTS = 6_000


@pytest.fixture(scope="module")
def results() -> list[ClubResult]:
    return list(club_results(RESULTS, Random(1)))


def as_bytes(n: int, seed: int) -> list[bytes]:
    return [orjson.dumps(document) for document in club_documents(n, Random(seed))]


def test_equal_seeds_give_equal_bytes_and_others_give_others() -> None:
    assert as_bytes(300, seed=5) == as_bytes(300, seed=5)
    assert as_bytes(300, seed=5) != as_bytes(300, seed=6)


def test_fewer_results_are_the_first_of_more() -> None:
    assert as_bytes(100, seed=5) == as_bytes(300, seed=5)[:100]


def test_a_million_results_begin_at_once() -> None:
    assert len(list(islice(club_results(1_000_000, Random(1)), 10))) == 10


@pytest.mark.parametrize(
    ("standings", "share"),
    [
        (["unverified"], truth.UNVERIFIED),
        (["wrong_units"], truth.WRONG_UNITS),
        (["locked", "locked_with_settings"], truth.LOCKED_ABOUT),
        (["honest"], 1 - truth.UNVERIFIED - truth.WRONG_UNITS - truth.LOCKED_ABOUT),
    ],
    ids=str,
)
def test_documents_come_about_in_the_shares_of_the_table(
    results: list[ClubResult], standings: list[str], share: float
) -> None:
    found = sum(result.standing in standings for result in results) / RESULTS
    assert found == pytest.approx(share, abs=0.02)


def settings_of(results: list[ClubResult], standing: str) -> list[dict[str, object]]:
    found = (result.document["settings"] for result in results if result.standing == standing)
    return [setting for settings in found for setting in settings]


@pytest.mark.parametrize(
    ("does", "share"),
    [
        (lambda setting: setting.get("planned_end") is not None, truth.PLANNED_END),
        (lambda setting: setting["minutes"] < 10, truth.SHORT_TESTS),
        (lambda setting: setting["minutes"] >= 30, truth.SESSION_TESTS),
    ],
    ids=["planned end", "short test", "long"],
)
def test_honest_testers_do_things_in_the_shares_of_the_table(
    results: list[ClubResult], does: Callable[[dict[str, object]], bool], share: float
) -> None:
    honest = settings_of(results, "honest")
    assert sum(map(does, honest)) / len(honest) == pytest.approx(share, abs=0.02)


def test_some_with_an_effect_measure_power_limits_in_pairs(results: list[ClubResult]) -> None:
    capped = Counter()
    for result in results:
        readings = result.document.get("readings", [])
        caps = Counter(one["power_cap_w"] for one in readings if "power_cap_w" in one)
        assert set(caps.values()) <= {2}
        capped[result.standing, len(caps)] += bool(readings)
    assert {caps for (standing, caps) in capped if standing == "unverified"} == {0}
    with_caps, without = capped["honest", 3], capped["honest", 0]
    assert with_caps / (with_caps + without) == pytest.approx(truth.CAPS_MEASURED, abs=0.04)


def test_a_setting_without_effect_never_fails_and_proves_nothing(results: list[ClubResult]) -> None:
    for setting in settings_of(results, "unverified") + settings_of(
        results, "locked_with_settings"
    ):
        assert setting["unstable_at"] is None
        shown = setting.get("effect")
        assert shown in (None, {"shown_by": "read_back"})
        assert setting.get("read_back") in (None, setting.get("stock_mv") or 0)


def test_about_a_third_of_the_locked_machines_send_settings(results: list[ClubResult]) -> None:
    standings = Counter(
        result.standing
        for result in results
        if result.standing.startswith("locked") and result.document["locks"]
        if result.document["locks"][0]["status"] != "chip_locked"
    )
    share = standings["locked_with_settings"] / sum(standings.values())
    assert share == pytest.approx(truth.LOCKED_WITH_SETTINGS, abs=0.08)


def test_members_have_one_to_three_machines(results: list[ClubResult]) -> None:
    machines: dict[str, set[str]] = {}
    for result in results[:-10]:
        member = result.document["contributor_token"]
        machines.setdefault(member, set()).add(result.document["unit_token"][:-1])
    sizes = Counter(len(owned) for owned in machines.values())
    assert set(sizes) == {1, 2, 3}
    for owned, share in zip((1, 2, 3), truth.MACHINES_OWNED, strict=True):
        assert sizes[owned] / len(machines) == pytest.approx(share, abs=0.03)


def test_thirty_chips_or_more_have_sixty_honest_units(results: list[ClubResult]) -> None:
    honest = Counter(
        limit.pool.chip
        for result in results
        if result.standing == "honest"
        for limit in result.limits[:1]
    )
    assert sum(units >= 60 for units in honest.values()) >= 30
    assert min(honest.values()) < 10


def test_every_document_says_that_it_is_synthetic(results: list[ClubResult]) -> None:
    for result in results:
        assert result.document["client"] == "tidewater-synthetic/1"
        for token in ("unit_token", "contributor_token"):
            assert result.document[token].startswith("tidewater-synthetic-")


def test_nothing_in_the_seed_data_names_a_maker_that_exists(results: list[ClubResult]) -> None:
    real = set(MAKERS) - {"norvane", "ketterly", "osmer"}
    files = [path.read_text() for path in (ROOT / "seed_data" / "club").rglob("*.*")]
    documents = [orjson.dumps(result.document).decode() for result in results[:1000]]
    for text in files + documents:
        words = set(text.lower().replace("-", " ").replace('"', " ").split())
        assert not words & real


def test_every_chip_that_can_be_tuned_has_a_truth_and_a_machine() -> None:
    club = bundled_club()
    in_machines = {c for one in club.classes for c in (*one.processors, *one.graphics)}
    assert in_machines == set(club.names)
    files = sorted((ROOT / "seed_data" / "club" / "catalogue").glob("*.toml"))
    catalogue = tomllib.loads("".join(path.read_text() for path in files))
    for row in catalogue["chips"]:
        chip = identify_chip(row["key"]).chip
        assert chip is not None
        controls = catalogue["series"][row.get("series", chip.series)]["controls"]
        with_truth = {pool.control for pool in club.pools_of(chip.key)}
        assert with_truth == set(controls) - {"power_limit", "load_line"}, chip.key


def test_the_four_shapes_of_truth_are_spread_over_the_chips() -> None:
    used = Counter(pool.shape for pool in pool_truths())
    assert len(used) == 4
    assert min(used.values()) >= 10


def test_firmware_is_oldest_first_and_each_class_has_one_before_the_first_month() -> None:
    for one in bundled_club().classes:
        months = [release.month for release in one.firmware]
        assert months == sorted(set(months)), one.key
        assert months[0] < "2025-01"


@pytest.mark.parametrize(
    "share",
    [
        truth.UNVERIFIED,
        truth.WRONG_UNITS,
        truth.LOCKED_ABOUT,
        truth.LOCKED_WITH_SETTINGS,
        truth.PLANNED_END,
        truth.FEELS_WRONG,
        truth.ROUND_NUMBERS,
        truth.SHORT_TESTS,
        truth.SESSION_TESTS,
        truth.STOCK_PASSED_REPORTED,
        truth.IN_USE_REPORTED,
        truth.READINGS_REPORTED,
        truth.CAPS_MEASURED,
        truth.TRIALS_REPORTED,
        truth.OPEN_LOCK_REPORTED,
        truth.CHANGE_MADE,
        truth.STAYED_ON_OLDER,
        truth.NEWEST_FIRMWARE,
        truth.SECOND_CHIP_REPORTED,
        *truth.FOUND_BY.values(),
        *truth.EFFECT_SHOWN_BY.values(),
        *truth.MACHINES_OWNED,
        *(kind.share for kind in COOLING[1:]),
    ],
)
def test_the_table_in_the_readme_holds_every_share(share: float) -> None:
    assert f"{share:.2f}" in README
