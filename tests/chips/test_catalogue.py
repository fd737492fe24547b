from fractions import Fraction
from pathlib import Path

import pytest

from kbapi.chips.catalogue import CatalogueError, Presence, load_catalogue
from kbapi.chips.naming import identify_chip
from kbapi.stats.intervals import Grid

SHIPPED = Path(__file__).parents[2] / "seed_data" / "catalogue"
V_STEP = Grid(Fraction(125, 128))


def _chip(key: str):
    return identify_chip(key).chip


def _catalogue(folder: Path, text: str):
    (folder / "one.toml").write_text(text, encoding="utf-8")
    return load_catalogue(folder)


def test_the_shipped_catalogue_describes_the_chips_of_the_demo() -> None:
    shipped = load_catalogue(SHIPPED)
    assert set(shipped.chips) > {
        "norvane-sable-7-4820mx",
        "norvane-sable-5-4610mx",
        "norvane-sable-7-4800k",
        "ketterly-drift-6-2350u",
        "ketterly-drift-8-2380h",
        "osmer-kestrel-640-laptop",
    }
    assert shipped.find("norvane-sable-7-4820mx").chip.name == "Norvane Sable 7 4820MX"
    assert shipped.find("intel-core-i7-8750h") is None


def test_the_grammar_names_every_shipped_chip_by_key_and_by_what_systems_print() -> None:
    shipped = load_catalogue(SHIPPED)
    assert len(shipped.chips) == 60
    for key, described in shipped.chips.items():
        maker, line, rest = described.chip.name.split(" ", 2)
        for text in (key, described.chip.name, f"{maker}(R) {line}(TM) {rest} @ 2.60GHz"):
            found = identify_chip(text)
            assert found.chip is not None, text
            assert (found.match, found.chip.key) == ("exact", key)


def test_the_shipped_catalogue_holds_invented_makers_only() -> None:
    makers = {described.chip.maker for described in load_catalogue(SHIPPED).chips.values()}
    assert makers == {"norvane", "ketterly", "osmer"}


def test_a_file_overrides_the_structure_of_a_name() -> None:
    shipped = load_catalogue(SHIPPED)
    by_structure = _chip("norvane-sable-5-4610mx")
    assert by_structure.series == "norvane-sable-46-mx"
    assert shipped.placed(by_structure).series == "norvane-sable-48-mx"


def test_a_chip_without_description_gets_the_traits_of_its_kind() -> None:
    empty = load_catalogue(SHIPPED)
    cpu, gpu = _chip("intel-core-i7-8750h"), _chip("nvidia-geforce-rtx-3070")
    assert empty.placed(cpu) == cpu
    assert "gpu_core" not in empty.domains_for(cpu)
    assert empty.domains_for(gpu) == ("gpu_core",)
    assert empty.grid_for(cpu, "voltage_offset") == V_STEP
    assert empty.grid_for(cpu, "count_offset") == Grid(Fraction(1))
    assert empty.grid_for(gpu, "fixed_clock_voltage") == Grid(Fraction(5))
    assert empty.clock_band_for(gpu) == 100


def test_traits_of_a_chip_override_its_series_and_these_override_the_kind(tmp_path: Path) -> None:
    catalogue = _catalogue(
        tmp_path,
        """
        [defaults.cpu]
        clock_band_mhz = 200
        [series."norvane-sable-48-mx"]
        domains = ["ring", "core"]
        grid = { voltage_offset = 5, count_offset = 2 }
        [[chips]]
        key = "norvane-sable-7-4820mx"
        grid = { voltage_offset = "25/4" }
        """,
    )
    described, sibling = _chip("norvane-sable-7-4820mx"), _chip("norvane-sable-7-4810mx")
    assert catalogue.grid_for(described, "voltage_offset") == Grid(Fraction(25, 4))
    assert catalogue.grid_for(described, "count_offset") == Grid(Fraction(2))
    assert catalogue.grid_for(sibling, "voltage_offset") == Grid(Fraction(5))
    assert catalogue.domains_for(sibling) == ("core", "ring")
    assert catalogue.clock_band_for(sibling) == 200
    assert catalogue.clock_band_for(_chip("osmer-kestrel-640m")) == 100


def test_a_control_without_limits_has_no_grid() -> None:
    with pytest.raises(CatalogueError):
        load_catalogue(SHIPPED).grid_for(_chip("norvane-sable-7-4820mx"), "load_line")


@pytest.mark.parametrize(
    "text",
    [
        "not toml",
        "[chip]\n",
        "[defaults.npu]\n",
        '[[chips]]\nname = "without a key"\n',
        '[[chips]]\nkey = "Norvane Sable 7 4820MX"\n',
        '[[chips]]\nkey = "norvane-sable-7-4820mx"\nkind = "gpu"\n',
        '[[chips]]\nkey = "norvane-sable-7-4820mx"\n' * 2,
        '[[chips]]\nkey = "norvane-sable-7-4820mx"\ncolour = "red"\n',
        '[series."norvane-sable-48-mx"]\ndomains = ["heart"]\n',
        '[series."norvane-sable-48-mx"]\ngrid = { voltage_offset = 0 }\n',
        '[series."norvane-sable-48-mx"]\ngrid = { voltage_offset = "1/0" }\n',
        '[series."norvane-sable-48-mx"]\ngrid = { load_line = 1 }\n',
        '[series."norvane-sable-48-mx"]\ncontrols = ["hammer"]\n',
    ],
)
def test_an_invalid_file_is_refused_with_its_name(tmp_path: Path, text: str) -> None:
    with pytest.raises(CatalogueError, match=r"one\.toml"):
        _catalogue(tmp_path, text)


def test_a_graphics_chip_has_no_core_and_an_undescribed_chip_is_otherwise_unclear() -> None:
    shipped = load_catalogue(SHIPPED)
    graphics, processor = _chip("osmer-kestrel-999"), _chip("norvane-sable-7-9999mx")
    assert shipped.domain_presence(graphics, "core") == Presence("absent", is_certain=True)
    assert shipped.domain_presence(processor, "gpu_core") == Presence("absent", is_certain=True)
    assert shipped.domain_presence(processor, "ring").state == "unclear"
    assert shipped.control_presence(processor, "count_offset", "ring").state == "unclear"


def test_a_described_chip_has_what_its_file_lists_and_nothing_else() -> None:
    shipped, chip = load_catalogue(SHIPPED), _chip("ketterly-drift-6-2350u")
    assert shipped.domain_presence(chip, "soc") == Presence("present", is_certain=True)
    assert shipped.domain_presence(chip, "ring") == Presence("absent", is_certain=True)
    assert shipped.control_presence(chip, "count_offset", "core").state == "present"
    assert shipped.control_presence(chip, "voltage_offset").state == "absent"
