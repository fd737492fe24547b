"""Curated chips: domains, controls and steps of each; the chip of a query or a document."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from kbapi.chips.chip import ChipIds, ChipName, Identification
from kbapi.chips.grammar.reading import find_meant
from kbapi.chips.naming import identify_chip
from kbapi.errors import CatalogueError, Problem
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import CONTROLS, DOMAINS, LIMIT_CONTROLS, ChipKind, Control, Domain, Form


@dataclass(frozen=True, slots=True)
class Traits:
    """Traits of a kind, a series or a chip; empty fields come from the wider group."""

    domains: tuple[Domain, ...] = ()
    controls: tuple[Control, ...] = ()
    grids: Mapping[str, Grid] = field(default_factory=dict)
    clock_band_mhz: int = 0

    def over(self, wider: "Traits") -> "Traits":
        """These traits, completed with those of the wider group."""
        return Traits(
            self.domains or wider.domains,
            self.controls or wider.controls,
            {**wider.grids, **self.grids},
            self.clock_band_mhz or wider.clock_band_mhz,
        )


_GRIDS: Final = {
    "voltage_offset": Grid(Fraction(125, 128)),
    "count_offset": Grid(Fraction(1)),
    "fixed_clock_voltage": Grid(Fraction(5)),
}
# A chip without description may have any domain of its kind, so that no result is refused.
_DEFAULTS: Final[Mapping[ChipKind, Traits]] = {
    "cpu": Traits(
        tuple(domain for domain in DOMAINS if domain != "gpu_core"), CONTROLS, _GRIDS, 100
    ),
    "gpu": Traits(("gpu_core",), CONTROLS, _GRIDS, 100),
}


@dataclass(frozen=True, slots=True)
class CatalogueChip:
    """A chip that a catalogue file describes."""

    chip: ChipName
    traits: Traits


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All described chips and series; chips without description have the traits of their kind."""

    chips: Mapping[str, CatalogueChip]
    series: Mapping[str, Traits]
    defaults: Mapping[ChipKind, Traits]

    def find(self, key: str) -> CatalogueChip | None:
        """The described chip of this canonical key."""
        return self.chips.get(key)

    def placed(self, chip: ChipName) -> ChipName:
        """The chip with name, series and line from its file, else as it is."""
        known = self.chips.get(chip.key)
        return known.chip if known else chip

    def traits_for(self, chip: ChipName) -> Traits:
        """All that is known of a chip: its own traits, else its series', else its kind's."""
        placed = self.placed(chip)
        own = known.traits if (known := self.chips.get(chip.key)) else Traits()
        of_series = self.series.get(placed.series, Traits())
        return own.over(of_series).over(self.defaults[placed.kind])

    def domains_for(self, chip: ChipName) -> tuple[Domain, ...]:
        """The domains of a chip that are adjusted separately, in the order of the glossary."""
        return self.traits_for(chip).domains

    def controls_for(self, chip: ChipName) -> tuple[Control, ...]:
        """The ways in which a chip can be adjusted, in the order of the glossary."""
        return self.traits_for(chip).controls

    def clock_band_for(self, chip: ChipName) -> int:
        """The width in MHz of the clock bands that fixed-clock results are pooled by."""
        return self.traits_for(chip).clock_band_mhz

    def find_clock_band(self, chip: ChipName, clock_mhz: float | None) -> int | None:
        """The lower end in MHz of the band that a clock lies in, None without a clock."""
        width_mhz = self.clock_band_for(chip)
        return None if clock_mhz is None else int(clock_mhz // width_mhz) * width_mhz

    def grid_for(self, chip: ChipName, control: str) -> Grid:
        """The steps of a control on a chip; raises CatalogueError for a control without limits."""
        if control not in LIMIT_CONTROLS:
            raise CatalogueError("This control has no grid of settings.")
        return self.traits_for(chip).grids[control]


def load_catalogue(folder: Path) -> Catalogue:
    """The catalogue in all `*.toml` files of a folder; raises CatalogueError."""
    chips: dict[str, CatalogueChip] = {}
    series: dict[str, Traits] = {}
    defaults = dict(_DEFAULTS)
    for path in sorted(folder.glob("*.toml")):
        table = _parse_file(path)
        for kind in table.get("defaults", {}):
            defaults[kind] = _parse_traits(table["defaults"][kind], path).over(_DEFAULTS[kind])
        for key, row in table.get("series", {}).items():
            series[key] = _parse_traits(row, path)
        for row in table.get("chips", []):
            entry = _parse_chip(row, path)
            if entry.chip.key in chips:
                raise CatalogueError(f"{path.name} describes {entry.chip.key} a second time.")
            chips[entry.chip.key] = entry
    return Catalogue(chips, series, defaults)


def _parse_file(path: Path) -> dict[str, Any]:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CatalogueError(f"{path.name} cannot be read: {error}") from error
    _check_names(table, ("defaults", "series", "chips"), path)
    _check_names(table.get("defaults", {}), ("cpu", "gpu"), path)
    return table


def _parse_chip(row: dict[str, Any], path: Path) -> CatalogueChip:
    """One `[[chips]]` table; what it leaves out comes from its key by the grammar."""
    own = {name: value for name, value in row.items() if name in _CHIP_FIELDS}
    traits = _parse_traits({k: v for k, v in row.items() if k not in _CHIP_FIELDS}, path)
    by_grammar = identify_chip(str(row.get("key", ""))).chip
    if by_grammar is None or by_grammar.key != row["key"]:
        raise CatalogueError(f"{path.name} holds a chip whose key is not canonical.")
    if own.get("kind", by_grammar.kind) != by_grammar.kind:
        raise CatalogueError(f"{path.name} gives {by_grammar.key} another kind than its name.")
    return CatalogueChip(replace(by_grammar, **own), traits)


_CHIP_FIELDS: Final = ("key", "name", "kind", "series", "line")
_TRAIT_FIELDS: Final = ("domains", "controls", "grid", "clock_band_mhz")


def _parse_traits(row: dict[str, Any], path: Path) -> Traits:
    _check_names(row, _TRAIT_FIELDS, path)
    _check_names(row.get("domains", ()), DOMAINS, path)
    _check_names(row.get("controls", ()), CONTROLS, path)
    _check_names(row.get("grid", {}), LIMIT_CONTROLS, path)
    try:
        grids = {control: Grid(Fraction(step)) for control, step in row.get("grid", {}).items()}
    except (TypeError, ValueError, ZeroDivisionError) as error:
        raise CatalogueError(
            f"{path.name} has a grid step that is not a positive number."
        ) from error
    return Traits(
        tuple(domain for domain in DOMAINS if domain in row.get("domains", ())),
        tuple(control for control in CONTROLS if control in row.get("controls", ())),
        grids,
        int(row.get("clock_band_mhz", 0)),
    )


def _check_names(found: Any, allowed: tuple[str, ...], path: Path) -> None:
    if unknown := sorted(set(found) - set(allowed)):
        raise CatalogueError(f"{path.name} has an unknown value: {unknown[0]}.")


@dataclass(frozen=True, slots=True)
class ResolvedChip:
    """The one chip that a text means with all that was sent beside it."""

    chip: ChipName
    conflict: str | None
    """A sentence when the numbers beside the name contradict it."""


def resolve_chip(text: str, pointer: str, catalogue: Catalogue) -> ChipName | Problem:
    """The chip that the text names exactly; else a problem at this pointer, with candidates."""
    found = decide_chip(text, pointer, catalogue)
    return found if isinstance(found, Problem) else found.chip


def decide_chip(
    text: str,
    pointer: str,
    catalogue: Catalogue,
    *,
    form: Form | None = None,
    ids: ChipIds | None = None,
    is_confirmed: bool = True,
) -> ResolvedChip | Problem:
    """The chip that the text names, form and numbers deciding where several share the name.

    Unless it is confirmed, a chip whose number is probably a typing error is a problem.
    """
    found = _identified(text, form, ids)
    if found.chip is None:
        return _problem_of(found, pointer)
    is_known = is_confirmed or catalogue.find(found.chip.key) is not None
    if not is_known and (meant := find_meant(found.chip.key, catalogue.chips)):
        return Problem(pointer, "chip_unlikely", _UNLIKELY, meant)
    return ResolvedChip(catalogue.placed(found.chip), found.conflict)


_UNLIKELY: Final = (
    "No known chip of this line has this number, but similar ones exist. Choose one of the "
    "candidates, or send chip_confirmed: true."
)


@lru_cache(maxsize=4_096)
def _identified(text: str, form: Form | None, ids: ChipIds | None) -> Identification:
    # The same few names come again and again, and their meaning never changes.
    return identify_chip(text, form=form, ids=ids)


def _problem_of(found: Identification, pointer: str) -> Problem:
    code = "chip_ambiguous" if found.match == "ambiguous" else "chip_unreadable"
    return Problem(pointer, code, found.reason, found.candidates)
