"""The interview: each answer is checked, and what a person does not know is left out."""

import json
from pathlib import Path
from typing import Any

import pytest

from kbapi.instance.instance import open_instance
from kbapi.settings import Settings
from kbapi.vocabulary import (
    FAILURE_SIGNS,
    FAILURES,
    LOAD_SIGNS,
    LOADS,
    LOCK_SIGNS,
    LOCK_STATUSES,
)
from tests.cli.command import Person
from tests.makers import an_instance, send

CHIP = "norvane-sable-7-4820mx"
RAIL = ["", ""]
TESTED = ["all_core, vector_heavy", "65", "y"]
NOTHING_MORE = ["", "", "", "", "", "", "y"]
"""No machine, firmware, month, microcode, form and readings; send it."""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    an_instance(tmp_path).close()
    return tmp_path / "home"


def interviewed(home: Path, *typed: str) -> tuple[str, dict[str, Any]]:
    """The output for a person who types these lines, and the document that was sent."""
    output = Person("submit", "--home", str(home)).ends(*typed)
    # The terminal shows nothing of what is typed, so a line may begin with questions.
    document = json.JSONDecoder().raw_decode(output[output.index('{\n  "chip"') :])[0]
    return output, document


def test_each_answer_is_checked_and_the_result_is_stored(home: Path) -> None:
    output, document = interviewed(
        home,
        *("not a chip", CHIP, *RAIL, "open", "eighty", "80", "-80", "-85", "wrong_result"),
        *("ring", *TESTED, "-80", "-85", "-70", "vector_heavy", "20"),
        *("owner@club.example", "harbour-15", "1.14", "2026-03", "0x2b", "laptop"),
        *("vector_heavy", "25", "60", "2710", "91", "41.2", "jobs_per_h"),
        *("25", "54", "2710", "84", "41.3", "jobs_per_h", "y"),
    )
    assert "Did you mean -80?" in output
    assert "Enter a number" in output
    assert "That never passed. Enter -80 or a setting nearer to stock." in output
    assert "core with ring, voltage_offset: counted" in output
    assert document["locks"] == [
        {
            "domain": "core",
            "control": "voltage_offset",
            "status": "open",
            "found_by": "written_and_read_back",
        }
    ]
    assert document["settings"][0]["in_use"] == -70
    assert document["platform"] == {
        "machine": "harbour-15",
        "firmware": "1.14",
        "firmware_month": "2026-03",
        "microcode": "0x2b",
        "form": "laptop",
    }
    assert [(one["state"], one["power_w"]) for one in document["readings"]] == [
        ("stock", 60),
        ("tuned", 54),
    ]


def test_the_domains_that_most_results_moved_together_are_named(home: Path) -> None:
    together = {"domain": "core", "control": "voltage_offset", "moved_with": ["ring"]}
    instance = open_instance(Settings(home=home))
    send(instance, {"chip": CHIP, "settings": [{**together, "stable_at": -50}]})
    instance.close()
    output, document = interviewed(
        home, CHIP, *RAIL, "open", "", "-40", "?", "ring", "", "", *NOTHING_MORE
    )
    assert "Most results of this chip moved core and ring together." in output
    assert document["settings"][0]["moved_with"] == ["ring"]


def test_a_locked_machine_is_a_result_without_settings(home: Path) -> None:
    output, document = interviewed(home, CHIP, *RAIL, "firmware_locked", *NOTHING_MORE)
    assert set(document) == {"chip", "locks"}
    assert document["locks"][0]["status"] == "firmware_locked"
    assert "Stored as" in output


@pytest.mark.parametrize("unknown", ["", "?", "unknown", "I do not know", "I do not know."])
def test_what_a_person_does_not_know_is_left_out(home: Path, unknown: str) -> None:
    _, document = interviewed(
        home,
        *(CHIP, *RAIL, unknown, "-80", "-85", unknown, unknown, unknown, unknown, "n"),
        *(unknown, unknown, unknown, unknown, *([unknown] * 4), unknown, unknown, "y"),
    )
    assert document["locks"][0]["status"] == "unknown"
    assert set(document) == {"chip", "locks", "settings"}
    assert set(document["settings"][0]) == {"domain", "control", "stable_at", "unstable_at"}


def test_without_a_pass_no_setting_to_use_is_asked(home: Path) -> None:
    output, document = interviewed(
        home, CHIP, *RAIL, "open", "", "-40", "system_hang", "", "", *NOTHING_MORE
    )
    assert "No setting passed, so stay at stock." in output
    assert document["settings"][0]["failure"] == "system_hang"
    assert "in_use" not in document["settings"][0]


def test_every_failure_lock_status_and_load_is_explained_in_a_line(home: Path) -> None:
    assert tuple(FAILURE_SIGNS) == FAILURES
    assert set(LOCK_SIGNS) == set(LOCK_STATUSES)
    assert tuple(LOAD_SIGNS) == LOADS
    output, _ = interviewed(
        home, CHIP, *RAIL, "open", "", "-40", "system_hang", "", "", *NOTHING_MORE
    )
    for name, sign in (*FAILURE_SIGNS.items(), *LOCK_SIGNS.items(), *LOAD_SIGNS.items()):
        line = f"  - {name}: {sign}"
        assert f"{line}\n" in output
        assert len(line) <= 80


def test_a_chip_that_the_catalogue_does_not_describe_may_have_every_domain(home: Path) -> None:
    typed = ("norvane-sable-7-9990mx", "?", "?", "firmware_locked", *NOTHING_MORE)
    output, document = interviewed(home, *typed)
    assert (document["locks"][0]["domain"], document["locks"][0]["control"]) == (
        "core",
        "voltage_offset",
    )
    assert "system_agent" in output


def test_a_chip_without_a_setting_to_search_for_is_asked_for_its_lock_alone(home: Path) -> None:
    output, document = interviewed(home, "norvane-sable-7-4880s", *RAIL, "open", *NOTHING_MORE)
    assert "only the lock is reported" in output
    assert set(document) == {"chip", "locks"}
