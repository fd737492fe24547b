"""What a chip lacks is named with what it has, and with how certain that is."""

from typing import Any

import pytest

from kbapi.chips.catalogue_file import load_catalogue
from kbapi.chips.chip import ChipName
from kbapi.chips.naming import identify_chip
from kbapi.documents.refusal_rules import find_absences
from kbapi.settings import bundled_folder
from tests.makers import Unreviewed

CATALOGUE = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")


def the_chip(text: str) -> ChipName:
    chip = identify_chip(text).chip
    assert chip is not None
    return CATALOGUE.placed(chip)


def absent(chip: str, domains: Any, control: Any, catalogue: Any = CATALOGUE) -> list[str]:
    return [one.text for one in find_absences(catalogue, the_chip(chip), domains, control)]


@pytest.mark.parametrize(
    ("chip", "domains", "control", "text"),
    [
        (
            "norvane-sable-7-4820mx",
            ("core", "memory"),
            "voltage_offset",
            "Norvane Sable 7 4820MX has no memory. It has: core, graphics, ring, system_agent.",
        ),
        (
            "ketterly-drift-6-2350u",
            ("core",),
            "voltage_offset",
            "Ketterly Drift 6 2350U has no voltage_offset. It has: count_offset, power_limit.",
        ),
        (
            "osmer-kestrel-640",
            ("ring",),
            None,
            "Osmer Kestrel 640 has no ring. It has: gpu_core.",
        ),
        # A graphics chip that no file describes still has no core.
        (
            "osmer-kestrel-999",
            ("core",),
            "voltage_offset",
            "Osmer Kestrel 999 has no core. It may have: gpu_core, graphics, io, memory, soc.",
        ),
    ],
)
def test_a_part_that_the_chip_lacks_is_named_with_what_it_has(
    chip: str, domains: Any, control: Any, text: str
) -> None:
    assert absent(chip, domains, control) == [text]


@pytest.mark.parametrize(
    ("chip", "domains", "control"),
    [
        ("norvane-sable-7-4820mx", ("core", "ring"), "voltage_offset"),
        ("norvane-sable-7-4820mx", (), None),
        ("osmer-kestrel-640", ("gpu_core",), "fixed_clock_voltage"),
        # No file describes this chip, so nothing of a processor is refused.
        ("norvane-sable-7-9990mx", ("ring", "ecore_cluster"), "count_offset"),
    ],
)
def test_a_part_that_the_chip_has_or_may_have_is_not_absent(
    chip: str, domains: Any, control: Any
) -> None:
    assert absent(chip, domains, control) == []


def test_every_absent_domain_is_listed_before_the_control() -> None:
    chip = the_chip("norvane-sable-7-4880s")
    found = list(find_absences(CATALOGUE, chip, ("io", "core", "memory"), "voltage_offset"))
    assert [one.name for one in found] == ["io", "memory", "voltage_offset"]
    assert all(one.is_certain for one in found)


def test_general_knowledge_is_not_certain_and_says_that_it_may_be_wrong() -> None:
    chip = the_chip("norvane-sable-7-4820mx")
    catalogue: Any = Unreviewed(CATALOGUE)
    (found,) = find_absences(catalogue, chip, ("memory",), "voltage_offset")
    assert not found.is_certain
    assert found.text == (
        "The catalogue lists no memory for Norvane Sable 7 4820MX, but may be wrong. "
        "It has: core, graphics, ring, system_agent."
    )


class _OnCoreAlone(Unreviewed):
    def control_presence(self, *asked: Any) -> Any:
        chip, _, domain = (*asked, None)[:3]
        return self._catalogue.domain_presence(chip, "memory" if domain == "ring" else "core")


def test_a_control_that_acts_on_one_domain_only_is_absent_on_the_others() -> None:
    catalogue: Any = _OnCoreAlone(CATALOGUE)
    assert absent("norvane-sable-7-4820mx", ("core",), "voltage_offset", catalogue) == []
    assert absent("norvane-sable-7-4820mx", ("core", "ring"), "voltage_offset", catalogue) == [
        "Norvane Sable 7 4820MX has no voltage_offset on ring. The catalogue lists none."
    ]
