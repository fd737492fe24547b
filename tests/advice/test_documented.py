"""What is documented about real chips: answers on an instance without any result."""

from pathlib import Path
from typing import Any, NamedTuple

import pytest
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.curation.queue import list_waiting
from kbapi.instance.instance import Instance
from tests.makers import a_submission, an_instance, send

CORE_RING = ["core", "ring"]
CORES_RING = ["core", "ecore_cluster", "ring"]
ALL_6_TO_10 = ["core", "graphics", "io", "ring", "system_agent"]
ALL_12 = ["core", "ecore_cluster", "graphics", "ring", "system_agent"]


class Real(NamedTuple):
    """A chip as a system prints it, and what the answers must say."""

    text: str
    key: str
    domains: list[str]
    control: str | None
    step: float | None
    lock: str
    together: list[str] | None = None


REAL = (
    Real(
        "Intel(R) Core(TM) i7-8550U CPU @ 1.80GHz",
        "intel-core-i7-8550u",
        ALL_6_TO_10,
        "voltage_offset",
        125 / 128,
        "depends",
        CORE_RING,
    ),
    Real(
        "Intel(R) Core(TM) i9-9900K CPU @ 3.60GHz",
        "intel-core-i9-9900k",
        ALL_6_TO_10,
        "voltage_offset",
        125 / 128,
        "open",
        CORE_RING,
    ),
    Real(
        "Intel(R) Core(TM) i5-6300HQ CPU @ 2.30GHz",
        "intel-core-i5-6300hq",
        ALL_6_TO_10,
        "voltage_offset",
        125 / 128,
        "depends",
        CORE_RING,
    ),
    Real(
        "12th Gen Intel(R) Core(TM) i7-12700H",
        "intel-core-i7-12700h",
        ALL_12,
        "power_limit",
        1 / 8,
        "locked",
        CORES_RING,
    ),
    Real(
        "12th Gen Intel(R) Core(TM) i5-12400F",
        "intel-core-i5-12400f",
        ["core", "ring", "system_agent"],
        "power_limit",
        1 / 8,
        "depends",
        CORE_RING,
    ),
    Real(
        "13th Gen Intel(R) Core(TM) i9-13900K",
        "intel-core-i9-13900k",
        ALL_12,
        "voltage_offset",
        125 / 128,
        "open",
        CORES_RING,
    ),
    Real(
        "Intel(R) Core(TM) Ultra 7 155H",
        "intel-core-ultra-7-155h",
        ALL_12,
        "power_limit",
        1 / 8,
        "unknown",
    ),
    Real(
        "11th Gen Intel(R) Core(TM) i7-1165G7 @ 2.80GHz",
        "intel-core-i7-1165g7",
        ["core", "graphics", "ring", "system_agent"],
        "power_limit",
        1 / 8,
        "unknown",
    ),
    Real(
        "Intel(R) Xeon(R) Gold 6338 CPU @ 2.00GHz",
        "intel-xeon-gold-6338",
        [],
        "power_limit",
        1 / 8,
        "locked",
    ),
    Real(
        "AMD Ryzen 7 5800X 8-Core Processor",
        "amd-ryzen-7-5800x",
        ["core", "soc"],
        "count_offset",
        1,
        "open",
    ),
    Real(
        "AMD Ryzen 7 5800X3D 8-Core Processor",
        "amd-ryzen-7-5800x3d",
        ["core", "soc"],
        "power_limit",
        None,
        "locked",
    ),
    Real(
        "AMD Ryzen 5 3600 6-Core Processor",
        "amd-ryzen-5-3600",
        ["core", "soc"],
        "voltage_offset",
        6.25,
        "open",
    ),
    Real(
        "AMD Ryzen 7 5800U with Radeon Graphics",
        "amd-ryzen-7-5800u",
        ["core", "soc"],
        "power_limit",
        None,
        "unknown",
    ),
    Real(
        "AMD Ryzen 9 7950X 16-Core Processor",
        "amd-ryzen-9-7950x",
        ["core", "soc"],
        "count_offset",
        1,
        "open",
    ),
    Real(
        "AMD EPYC 7763 64-Core Processor",
        "amd-epyc-7763",
        ["core", "soc"],
        "power_limit",
        None,
        "locked",
    ),
    Real(
        "NVIDIA GeForce RTX 4070",
        "nvidia-geforce-rtx-4070",
        ["gpu_core"],
        "fixed_clock_voltage",
        6.25,
        "depends",
    ),
    Real(
        "NVIDIA GeForce RTX 3060 Laptop GPU",
        "nvidia-geforce-rtx-3060-laptop",
        ["gpu_core"],
        "fixed_clock_voltage",
        6.25,
        "depends",
    ),
    Real(
        "AMD Radeon RX 6800 XT",
        "amd-radeon-rx-6800-xt",
        ["gpu_core"],
        "voltage_offset",
        1,
        "depends",
    ),
    Real(
        "AMD Radeon RX 580",
        "amd-radeon-rx-580",
        ["gpu_core"],
        "fixed_clock_voltage",
        1,
        "depends",
    ),
    Real("Intel Arc A770", "intel-arc-a770", ["gpu_core"], "power_limit", None, "unknown"),
    Real("Apple M2 Pro", "apple-m2-pro", [], None, None, "locked"),
    Real(
        "Snapdragon(R) X Elite - X1E80100 - Qualcomm(R) Oryon(TM) CPU",
        "qualcomm-snapdragon-x-elite-x1e80100",
        [],
        None,
        None,
        "locked",
    ),
)
REVIEWED = {"i7-12700H", "i9-13900K", "RTX 4070", "6800 XT", "RX 580"}
"""Parts of the texts whose lock is based on a source that was read."""


@pytest.fixture
def empty(tmp_path: Path) -> FlaskClient:
    """A client of an instance that is no demo and holds nothing."""
    return create_app(an_instance(tmp_path, has_club_catalogue=False)).test_client()


def ask(client: FlaskClient, endpoint: str, text: str) -> dict[str, Any]:
    response = client.get(f"/v1/{endpoint}", query_string={"chip": text})
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer


def next_step(client: FlaskClient, real: Real) -> dict[str, Any]:
    at_clock = {"clock_mhz": 1800, "stock_mv": 900} if _is_at_clock(real) else {}
    response = client.post("/v1/next-step", json={"chip": real.text, "trials": [], **at_clock})
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer


def _is_at_clock(real: Real) -> bool:
    return real.control == "fixed_clock_voltage"


@pytest.mark.parametrize("real", REAL, ids=lambda real: real.key)
def test_a_real_chip_is_described_before_anybody_has_sent_a_result(
    empty: FlaskClient, real: Real
) -> None:
    found = empty.get("/v1/identify", query_string={"text": real.text}).get_json()
    assert (found["match"], found["chip"]["key"]) == ("exact", real.key)
    described = empty.get(f"/v1/chips/{real.key}").get_json()
    assert described["chip"]["provisional"] is False
    assert described["domains"] == real.domains
    assert described["moves_together"] == ([real.together] if real.together else [])
    assert described["default_control"] == real.control
    steps = {one["control"]: one["step"] for one in described["controls"]}
    assert steps.get(real.control) == real.step
    assert all(note["source"] and note["text"] for note in described["notes"])


@pytest.mark.parametrize("real", REAL, ids=lambda real: real.key)
def test_locks_and_start_of_a_real_chip_name_the_documented_lock_with_cautions(
    empty: FlaskClient, real: Real
) -> None:
    locks = ask(empty, "locks", real.text)
    lock = locks["factory_lock"]
    assert lock["status"] == real.lock
    assert lock["is_reviewed"] is any(part in real.text for part in REVIEWED)
    assert lock["sources"] or not lock["is_reviewed"]
    documented = "documented as" if lock["is_reviewed"] else "generally known as"
    if real.lock == "unknown":
        documented = "nothing is documented about a lock"
    assert documented in locks["summary"]
    assert lock["text"].lower().startswith(documented)
    assert locks["cautions"]
    start = ask(empty, "start", real.text)
    assert start["start"] is None
    assert start["cautions"]
    assert start["locks"]["factory_lock"] == lock
    assert start["locks"]["text"].startswith(f"Without lock reports: {documented}")
    is_first = start["summary"].lower().startswith(f"{documented} locked at the factory")
    assert is_first is (real.lock == "locked")
    assert start["notes"] == locks["notes"]


@pytest.mark.parametrize("real", REAL, ids=lambda real: real.key)
def test_start_and_next_step_begin_with_the_default_control_or_with_none(
    empty: FlaskClient, real: Real
) -> None:
    start, step = ask(empty, "start", real.text), next_step(empty, real)
    has_voltage_control = real.control not in (None, "power_limit")
    if has_voltage_control:
        assert (start["control"], step["control"]) == (real.control, real.control)
        assert start["reason"]["code"] == "no_results"
        assert step["next_step"] is not None
    else:
        wanted = "locked_at_factory" if real.lock == "locked" else "no_known_control"
        if not real.domains and real.control is None:
            wanted = "not_on_this_chip"  # a chip that offers nothing has no rail to ask about
        assert start["reason"]["code"] == wanted
        assert ("/v1/power" in start["reason"]["text"]) is (real.control == "power_limit")
        assert step["next_step"] is None
        is_locked = real.lock == "locked"
        assert step["reason"]["code"] == ("locked_at_factory" if is_locked else "no_known_control")
    groups = [group["domains"] for group in step["domain_order"]]
    assert sorted(code for group in groups for code in group) == (real.domains or ["core"])
    assert real.together is None or real.together in groups
    assert step["cautions"]


def test_an_own_trial_is_followed_where_no_source_names_the_control(empty: FlaskClient) -> None:
    setting = {"domain": "core", "control": "voltage_offset", "value": -10}
    trial = {"settings": [setting], "load": "all_core", "seconds": 3600, "outcome": "stable"}
    body = {"chip": "11th Gen Intel(R) Core(TM) i7-1165G7 @ 2.80GHz", "trials": [trial]}
    answer = empty.post("/v1/next-step", json=body).get_json()
    assert answer["next_step"]["value_to_enter"] < -10


@pytest.mark.parametrize(
    ("number", "key"),
    [
        ("8550U", "intel-core-i7-8550u"),
        ("5800x", "amd-ryzen-7-5800x"),
        ("4070", "nvidia-geforce-rtx-4070"),
        ("9950x", "amd-ryzen-9-9950x"),
    ],
)
def test_a_number_finds_the_real_chip_first_and_no_invented_one(
    empty: FlaskClient, number: str, key: str
) -> None:
    page = empty.get("/v1/chips", query_string={"search": number, "limit": 200}).get_json()
    keys = [chip["key"] for chip in page["chips"]]
    assert keys[0] == key
    assert not any(one.startswith(("norvane-", "ketterly-", "osmer-")) for one in keys)


LOCKED = "12th Gen Intel(R) Core(TM) i7-12700H"
OPEN = "Intel(R) Core(TM) i9-9900K CPU @ 3.60GHz"


def report(instance: Instance, chip: str, status: str, number: int) -> None:
    lock = {
        "domain": "core",
        "control": "voltage_offset",
        "status": status,
        "found_by": "written_and_read_back",
    }
    send(instance, a_submission(number=number, chip=chip, settings=..., locks=[lock]))


@pytest.mark.parametrize(
    ("chip", "against", "agreeing"),
    [(LOCKED, "open", "chip_locked"), (OPEN, "chip_locked", "open")],
)
def test_reports_that_contradict_a_document_are_named_and_wait_for_a_curator(
    instance: Instance, client: FlaskClient, chip: str, against: str, agreeing: str
) -> None:
    report(instance, chip, agreeing, 1)
    report(instance, chip, against, 2)
    lock = ask(client, "locks", chip)["factory_lock"]
    assert (lock["reports_against"], lock["reports"], lock["is_contradicted"]) == (1, 2, False)
    assert list_waiting(instance, {}).contradicted_locks == ()
    report(instance, chip, against, 3)
    lock = ask(client, "locks", chip)["factory_lock"]
    assert (lock["reports_against"], lock["reports"], lock["is_contradicted"]) == (2, 3, True)
    assert "Reports say otherwise on 2 of 3 machines." in lock["text"]
    assert ask(client, "start", chip)["locks"]["factory_lock"] == lock
    (waiting,) = list_waiting(instance, {}).contradicted_locks
    assert (waiting.chip, waiting.factory_lock.reports_against) == (
        client.get(f"/v1/chips/{chip}").get_json()["chip"]["key"],
        2,
    )
    assert list_waiting(instance, {"code": ["beyond_soft_bound"]}).contradicted_locks == ()


def test_a_filter_hides_what_few_reports_contradict(
    instance: Instance, client: FlaskClient
) -> None:
    for number in range(3):
        report(instance, LOCKED, "open", number)
    asked = {"chip": LOCKED, "machine": "harbour-15"}
    lock = client.get("/v1/locks", query_string=asked).get_json()["factory_lock"]
    assert (lock["reports"], lock["is_contradicted"]) == (0, False)


def test_a_stored_answer_is_computed_again_when_the_host_changes_the_catalogue(
    tmp_path: Path,
) -> None:
    instance = an_instance(tmp_path)
    report(instance, LOCKED, "open", 1)
    client = create_app(instance).test_client()
    assert ask(client, "locks", LOCKED)["factory_lock"]["status"] == "locked"
    own = instance.settings.catalogue_path / "own.toml"
    own.write_text(
        '[series."intel-core-12-h"]\nfactory_lock = "depends"\nlock_reason = "Seen here."\n'
    )
    instance.close()
    client = create_app(an_instance(tmp_path)).test_client()
    lock = ask(client, "locks", LOCKED)["factory_lock"]
    assert (lock["status"], lock["is_reviewed"]) == ("depends", True)
    assert "Documented as decided by firmware, driver or board. Seen here." in lock["text"]
