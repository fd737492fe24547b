import json
import re
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from kbapi.chips.catalogue import Catalogue, CatalogueError, ChipName, Presence
from kbapi.chips.catalogue_file import load_catalogue, parse_file, problems_in
from kbapi.chips.naming import identify_chip
from kbapi.settings import bundled_folder
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import LIMIT_CONTROLS

BUNDLED = bundled_folder("seed_data") / "catalogue"
CLUB = bundled_folder("seed_data") / "club" / "catalogue"
V_STEP = Grid(Fraction(125, 128))
STRINGS = [
    json.loads(line)
    for line in (Path(__file__).parent / "data" / "chip_strings.jsonl").read_text().splitlines()
]


@pytest.fixture(scope="module")
def bundled() -> Catalogue:
    return load_catalogue(BUNDLED)


def _chip(text: str) -> ChipName:
    chip = identify_chip(text).chip
    assert chip is not None, text
    return chip


def _named_chips() -> list[ChipName]:
    """The chips that real strings name, one for each string."""
    chips = []
    for one in STRINGS:
        found = identify_chip(one["raw"])
        read = [found.chip] if found.chip else map(_chip, found.candidates)
        chips += list(read)[:1]
    return chips


def _catalogue(folder: Path, text: str, own: str | None = None) -> Catalogue:
    (folder / "one.toml").write_text(text, encoding="utf-8")
    if own is not None:
        (folder / "own").mkdir()
        (folder / "own" / "two.toml").write_text(own, encoding="utf-8")
    return load_catalogue(folder, folder / "own")


def test_nearly_all_real_strings_name_a_described_series_with_domains_and_a_control(
    bundled: Catalogue,
) -> None:
    named = _named_chips()
    assert len(named) > 500
    described = [bundled.describe(chip) for chip in named]
    assert sum(bundled.is_described(chip) for chip in named) >= 0.97 * len(named)
    assert sum(bool(one.domains) for one in described) >= 0.85 * len(named)
    assert sum(one.default_control is not None for one in described) >= 0.60 * len(named)


def _rows() -> list[tuple[str, dict]]:
    """Every table of series and exceptions, with the traits that it inherits."""
    found = []
    for path in sorted(BUNDLED.glob("*.toml")):
        for name, row in tomllib.loads(path.read_text())["series"].items():
            found.append((name, row))
            found += [(f"{name} exception", {**row, **one}) for one in row.get("exceptions", [])]
    return found


def _of(maker: str) -> list[tuple[str, dict]]:
    return [(name, row) for name, row in _rows() if row["pattern"].startswith(f"{maker}-")]


def test_no_two_tables_describe_one_series(bundled: Catalogue) -> None:
    for series in {chip.series for chip in _named_chips()}:
        fitting = [
            name
            for name, row in _rows()
            if "exception" not in name and re.fullmatch(row["pattern"], series)
        ]
        assert len(fitting) <= 1, series


def test_amd_processors_have_no_ring_no_ecores_and_no_system_agent(bundled: Catalogue) -> None:
    for name, row in _of("amd"):
        assert not {"ring", "ecore_cluster", "system_agent"} & set(row.get("domains", ())), name
    chip = _chip("AMD Ryzen 7 5800X 8-Core Processor")
    assert bundled.domain_presence(chip, "ring") == Presence("absent", is_certain=True)


def test_no_nvidia_card_has_a_voltage_offset(bundled: Catalogue) -> None:
    for name, row in _of("nvidia"):
        assert "voltage_offset" not in (*row["controls"], *row.get("controls_unclear", ())), name
    chip = _chip("NVIDIA GeForce RTX 4070")
    found = bundled.control_presence(chip, "voltage_offset", "gpu_core")
    assert found == Presence("absent", is_certain=True)


@pytest.mark.parametrize("text", ["Apple M2 Pro", "Snapdragon(R) X Elite - X1E80100"])
def test_nothing_is_claimed_of_chips_that_offer_nothing(bundled: Catalogue, text: str) -> None:
    described = bundled.describe(_chip(text))
    assert (described.domains, described.controls, described.default_control) == ((), (), None)
    assert described.factory_lock is not None
    assert described.factory_lock.status == "locked"


@pytest.mark.parametrize(
    "number", ["i5-12400", "i5-12500", "i5-12600", "i5-12400F", "i3-12100", "i3-13100F", "i3-14100"]
)
def test_these_desktop_parts_have_no_ecores(bundled: Catalogue, number: str) -> None:
    chip = _chip(f"Intel(R) Core(TM) {number}")
    assert "ecore_cluster" not in bundled.domains_for(chip)
    assert ("graphics" in bundled.domains_for(chip)) == (not number.endswith("F"))
    assert bundled.describe(chip).moves_together == (("core", "ring"),)


def test_the_catalogue_holds_no_depth_and_recommends_no_lower_protection() -> None:
    allowed_mv = {"6.25", "0.977", "5"}
    for path in sorted(BUNDLED.glob("*.toml")):
        table = tomllib.loads(path.read_text())
        texts = [fact["text"] for fact in table["facts"].values()]
        texts += [row.get("remark", "") for row in table["series"].values()]
        texts += [row["lock_reason"] for row in table["series"].values()]
        for text in texts:
            numbers = re.findall(r"(-?[0-9.]+) ?(?:mV|millivolts?)\b", text)
            assert set(numbers) <= allowed_mv, text
            assert not re.search(r"-[0-9]+ counts|\bunsure\b", text), text
            assert not re.search(r"\b(switch|turn|set) (it|this|\w+ protection) off\b", text), text
            assert not re.search(r"\b(disable|downgrade|roll back|must be off)\b", text), text


def test_counts_and_load_lines_are_no_millivolts() -> None:
    for name, row in _rows():
        grid = row.get("grid", {})
        assert grid.get("count_offset", 1) == 1, name
        assert "load_line" not in grid, name


def test_nothing_is_claimed_of_the_openness_of_amd_laptops(bundled: Catalogue) -> None:
    for text in (
        "AMD Ryzen 7 4800H",
        "AMD Ryzen 7 5800U",
        "AMD Ryzen 5 3500U",
        "AMD Ryzen 7 7840U",
    ):
        described = bundled.describe(_chip(text))
        assert described.factory_lock is not None
        assert described.factory_lock.status == "unknown"
        assert described.controls == ("power_limit",)


def test_the_step_of_nvidia_cards_is_general_knowledge_and_some_clock_steps_are_not_known(
    bundled: Catalogue,
) -> None:
    for name, row in _of("nvidia"):
        if "fixed_clock_voltage" in row["controls"]:
            assert row["grid"]["fixed_clock_voltage"] == "25/4", name
            assert "fixed_clock_voltage" in row["unreviewed"], name
    for text in ("nvidia-geforce-gtx-1080", "NVIDIA GeForce RTX 5080", "NVIDIA GeForce MX450"):
        assert bundled.describe(_chip(text)).clock_step_mhz is None


@pytest.mark.parametrize(
    ("text", "domains", "shared"),
    [
        ("Intel(R) Core(TM) i7-4770K CPU", 5, ()),
        ("Intel(R) Core(TM) i7-4930K CPU", 2, ()),
        ("Intel(R) Core(TM) i7-6700K CPU", 5, (("core", "ring"),)),
        ("Intel(R) Core(TM) i7-6850K CPU", 3, ()),
        ("Intel(R) Core(TM) i7-7740X CPU", 4, (("core", "ring"),)),
        ("Intel(R) Core(TM) i9-7900X CPU", 3, ()),
    ],
)
def test_a_series_of_mixed_silicon_is_told_apart_by_chip(
    bundled: Catalogue, text: str, domains: int, shared: tuple
) -> None:
    described = bundled.describe(_chip(text))
    assert (len(described.domains), described.moves_together) == (domains, shared)


def test_graphics_within_a_processor_has_no_control_of_its_own(bundled: Catalogue) -> None:
    for text in ("intel-uhd-graphics-630", "intel-arc-b390", "AMD Radeon 780M Graphics"):
        chip = _chip(text)
        described = bundled.describe(chip)
        assert (described.domains, described.controls) == (("graphics",), ()), text
        assert bundled.usual_domain(chip) == "graphics"


def test_every_fact_that_a_table_names_has_a_sentence_a_source_and_a_month(
    bundled: Catalogue,
) -> None:
    for name, row in _rows():
        for key in (*row.get("facts", ()), *row.get("lock_facts", ())):
            fact = bundled.facts[key]
            assert 1 <= len(fact.source) <= 200, key
            assert fact.recheck_month in ("2027-02", "2027-06"), (name, key)
            assert fact.is_reviewed or "general knowledge" in fact.source or key == "i-planes"
    assert bundled.due("2027-01") == ()
    assert "fact i-vmin (2027-02)" in bundled.due("2027-02")
    assert len(bundled.due("2027-06")) > 200


def test_every_model_of_the_catalogue_is_a_canonical_key_of_a_described_series(
    bundled: Catalogue,
) -> None:
    assert len(bundled.models) > 450
    for key in bundled.models:
        chip = _chip(key)
        assert chip.key == key
        assert bundled.is_described(chip), key


def test_only_the_club_knows_the_invented_makers(bundled: Catalogue) -> None:
    assert bundled.find("norvane-sable-7-4820mx") is None
    assert not bundled.is_described(_chip("norvane-sable-7-4820mx"))
    makers = {described.chip.maker for described in load_catalogue(CLUB).chips.values()}
    assert makers == {"norvane", "ketterly", "osmer"}


def test_the_catalogue_of_the_club_describes_the_chips_of_the_demo() -> None:
    club = load_catalogue(CLUB)
    assert set(club.chips) > {
        "norvane-sable-7-4820mx",
        "norvane-sable-5-4610mx",
        "norvane-sable-7-4800k",
        "ketterly-drift-6-2350u",
        "ketterly-drift-8-2380h",
        "osmer-kestrel-640-laptop",
    }
    assert club.find("norvane-sable-7-4820mx").name == "Norvane Sable 7 4820MX"
    assert club.find("intel-core-i7-8750h") is None


def test_the_grammar_names_every_club_chip_by_key_and_by_what_systems_print() -> None:
    club = load_catalogue(CLUB)
    assert len(club.chips) == 60
    for key, described in club.chips.items():
        maker, line, rest = described.chip.name.split(" ", 2)
        for text in (key, described.chip.name, f"{maker}(R) {line}(TM) {rest} @ 2.60GHz"):
            found = identify_chip(text)
            assert found.chip is not None, text
            assert (found.match, found.chip.key) == ("exact", key)


def test_a_file_overrides_the_structure_of_a_name() -> None:
    club = load_catalogue(CLUB)
    by_structure = _chip("norvane-sable-5-4610mx")
    assert by_structure.series == "norvane-sable-46-mx"
    assert club.placed(by_structure).series == "norvane-sable-48-mx"


def test_nothing_is_known_of_a_chip_without_description_but_the_steps_to_count_in() -> None:
    club = load_catalogue(CLUB)
    cpu, gpu = _chip("intel-core-i7-8750h"), _chip("nvidia-geforce-rtx-3070")
    assert club.placed(cpu) == cpu
    assert not club.is_described(cpu)
    assert (club.domains_for(cpu), club.controls_for(cpu), club.domains_for(gpu)) == ((), (), ())
    assert (club.usual_domain(cpu), club.usual_domain(gpu)) == ("core", "gpu_core")
    assert club.grid_for(cpu, "voltage_offset") == V_STEP
    assert club.grid_for(cpu, "count_offset") == Grid(Fraction(1))
    assert club.grid_for(gpu, "fixed_clock_voltage") == Grid(Fraction(5))
    assert club.describe(cpu).step_of("voltage_offset") is None
    assert club.clock_band_for(gpu) == 100


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
        load_catalogue(CLUB).grid_for(_chip("norvane-sable-7-4820mx"), "load_line")


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
        '[series."norvane-sable-48-mx"]\ncontrols = "power_limit"\n',
        '[series."norvane-sable-48-mx"]\npattern = "("\n',
        '[series."norvane-sable-48-mx"]\nfactory_lock = "open"\n',
        '[series."norvane-sable-48-mx"]\nfactory_lock = "ajar"\nlock_reason = "Seen."\n',
        '[series."norvane-sable-48-mx"]\nclock_step_mhz = -25\n',
        '[series."norvane-sable-48-mx"]\nclock_band_mhz = 12.5\n',
        '[series."norvane-sable-48-mx"]\nmoves_together = "core"\n',
        '[facts.one]\ntext = "Without a source."\n',
        '[facts.one]\ntext = "A."\nsource = "B"\nreviewed = "yes"\n',
        '[facts.one]\ntext = "A."\nsource = "B"\nrecheck = "next year"\n',
        "[makers.norvane]\nwithout = [1]\n",
        "series = 3\n",
        "chips = 3\n",
        "models = [3]\n",
    ],
)
def test_an_invalid_file_is_refused_with_its_name(tmp_path: Path, text: str) -> None:
    with pytest.raises(CatalogueError, match=r"one\.toml"):
        _catalogue(tmp_path, text)


def test_a_graphics_chip_has_no_core_and_an_undescribed_chip_is_otherwise_unclear() -> None:
    club = load_catalogue(CLUB)
    graphics, processor = _chip("osmer-kestrel-999"), _chip("norvane-sable-7-5310mx")
    assert club.domain_presence(graphics, "core") == Presence("absent", is_certain=True)
    assert club.domain_presence(processor, "gpu_core") == Presence("absent", is_certain=True)
    assert club.domain_presence(processor, "ring").state == "unclear"
    assert club.control_presence(processor, "count_offset", "ring").state == "unclear"


def test_what_a_chip_may_have_is_neither_claimed_nor_refused(bundled: Catalogue) -> None:
    zen = _chip("AMD Ryzen 5 5600G with Radeon Graphics")
    assert bundled.domain_presence(zen, "graphics").state == "unclear"
    assert bundled.domain_presence(zen, "io") == Presence("absent", is_certain=True)
    assert bundled.control_presence(zen, "count_offset", "core").state == "present"
    assert bundled.control_presence(zen, "count_offset", "soc") == Presence("absent", False)
    tiger = _chip("11th Gen Intel(R) Core(TM) i7-1165G7 @ 2.80GHz")
    assert bundled.control_presence(tiger, "voltage_offset", "core").state == "unclear"
    locked = _chip("12th Gen Intel(R) Core(TM) i7-12700H")
    assert bundled.control_presence(locked, "voltage_offset", "core") == Presence("absent", False)


def test_a_described_chip_has_what_its_file_lists_and_nothing_else() -> None:
    club, chip = load_catalogue(CLUB), _chip("ketterly-drift-6-2350u")
    assert club.domain_presence(chip, "soc") == Presence("present", is_certain=True)
    assert club.domain_presence(chip, "ring") == Presence("absent", is_certain=True)
    assert club.control_presence(chip, "count_offset", "core").state == "present"
    assert club.control_presence(chip, "voltage_offset").state == "absent"


def test_the_files_of_a_host_overrule_and_extend_the_bundled_ones(tmp_path: Path) -> None:
    catalogue = _catalogue(
        tmp_path,
        """
        [series.sable-48]
        pattern = "norvane-sable-48-(mx|k)"
        domains = ["core", "ring"]
        controls = ["voltage_offset"]
        clock_step_mhz = 100
        unreviewed = ["domains"]
        """,
        own="""
        [series.sable-48]
        controls = ["power_limit"]
        [series."norvane-sable-48-k"]
        domains = ["core"]
        [series."norvane-sable-51-k"]
        domains = ["soc"]
        """,
    )
    mobile, desktop, new = map(
        _chip, (f"norvane-sable-7-{n}" for n in ("4820mx", "4820k", "5120k"))
    )
    assert catalogue.describe(mobile).domains == ("core", "ring")
    assert catalogue.describe(mobile).is_unreviewed("domains")
    assert catalogue.describe(mobile).controls == ("power_limit",)
    assert catalogue.describe(desktop).domains == ("core",)
    assert not catalogue.describe(desktop).is_unreviewed("domains")
    assert catalogue.describe(desktop).clock_step_mhz == 100
    assert catalogue.describe(new).domains == ("soc",)
    row = catalogue.describe(mobile).row_of("controls")
    assert row is not None
    assert row.origin == "two.toml, series sable-48"


def test_steps_are_told_for_every_control_that_has_one(bundled: Catalogue) -> None:
    described = bundled.describe(_chip("Intel(R) Core(TM) i9-9900K CPU @ 3.60GHz"))
    steps = {control: described.step_of(control) for control in described.controls}
    assert steps == {
        "voltage_offset": Fraction(125, 128),
        "fixed_clock_voltage": Fraction(1),
        "power_limit": Fraction(1, 8),
        "load_line": None,
    }
    for chip in _named_chips():
        for control in LIMIT_CONTROLS:
            assert bundled.grid_for(chip, control).step > 0


@pytest.mark.parametrize(
    "document",
    ["seed_data/catalogue/README.md", "kbapi/pages/guides/chips.md"],
)
def test_the_examples_of_the_documents_are_valid(bundled: Catalogue, document: str) -> None:
    text = (Path(__file__).parents[2] / document).read_text()
    examples = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    assert examples
    for example in examples:
        assert problems_in(parse_file("example.toml", example), bundled) == []
