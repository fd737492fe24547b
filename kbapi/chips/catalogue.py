"""Curated chips: what is known of each chip, and the chip of a query or a document."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from itertools import chain
from typing import Final, Literal, TypeVar

from kbapi.chips.chip import ChipIds, ChipName, Identification
from kbapi.chips.grammar.reading import find_meant
from kbapi.chips.naming import identify_chip
from kbapi.errors import CatalogueError, Problem
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import (
    LIMIT_CONTROLS,
    ChipKind,
    Control,
    Domain,
    FactoryLockStatus,
    Form,
    LimitControl,
)

TRAITS: Final = (
    "domains",
    "moves_together",
    "controls",
    "default_control",
    "default_domain",
    "factory_lock",
    "clock_step_mhz",
    "clock_band_mhz",
    "facts",
    "remark",
)
"""What a table can tell, apart from the steps of each control."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One sentence about chips, with its source and the month when to look at it again."""

    key: str
    text: str
    source: str
    is_reviewed: bool
    """Whether the source was read for it; else it is general knowledge."""
    reviewed_month: str
    recheck_month: str
    is_note: bool = False
    """Whether every answer about such a chip shows it, and not just the chip's description."""


@dataclass(frozen=True, slots=True)
class FactoryLock:
    """Whether a series leaves the factory open to changes of voltage, as documented."""

    status: FactoryLockStatus
    reason: str
    facts: tuple[str, ...] = ()
    """Keys of the facts that it is based on."""


@dataclass(frozen=True, slots=True)
class Row:
    """What one table of a catalogue file tells; None and no step are left to wider tables."""

    origin: str
    """The file and the table, such as `norvane.toml, series norvane-sable-48-mx`."""
    pattern: str | None = None
    """Whole-match pattern of the series, or of the chips of an exception."""
    unreviewed: frozenset[str] = frozenset()
    """Traits and controls that are general knowledge; the others stand on a source."""
    domains: tuple[Domain, ...] | None = None
    domains_unclear: tuple[Domain, ...] = ()
    """Domains that the chip may have: neither claimed nor refused."""
    moves_together: tuple[tuple[Domain, ...], ...] | None = None
    controls: tuple[Control, ...] | None = None
    controls_unclear: tuple[Control, ...] = ()
    control_domains: Mapping[str, tuple[Domain, ...]] = field(default_factory=dict)
    """Domains that a control acts on; a control that is left out acts on all of them."""
    grids: Mapping[str, Grid] = field(default_factory=dict)
    default_control: Control | None = None
    default_domain: Domain | None = None
    factory_lock: FactoryLock | None = None
    clock_step_mhz: float | None = None
    clock_band_mhz: int | None = None
    facts: tuple[str, ...] | None = None
    remark: str | None = None
    recheck_month: str = ""
    exceptions: "tuple[Row, ...]" = ()


@dataclass(frozen=True, slots=True)
class Presence:
    """Whether a chip has a domain or a control, and whether that is based on a source."""

    state: Literal["present", "unclear", "absent"]
    """`unclear` where the catalogue says nothing: then neither claim nor refuse it."""
    is_certain: bool
    """Whether a source was read for it; general knowledge and silence are not certain."""


_UNCLEAR: Final = Presence("unclear", is_certain=False)
# What no chip of the kind has, whatever the catalogue describes.
_NEVER: Final[Mapping[ChipKind, tuple[str, ...]]] = {
    "cpu": ("gpu_core",),
    "gpu": ("core", "ecore_cluster", "ring", "system_agent"),
}
# Steps that results without a described step are counted in.
_USUAL: Final = Row(
    "the program",
    grids={
        "voltage_offset": Grid(Fraction(125, 128)),
        "count_offset": Grid(Fraction(1)),
        "fixed_clock_voltage": Grid(Fraction(5)),
    },
    clock_band_mhz=100,
)


@dataclass(frozen=True, slots=True)
class CatalogueChip:
    """A chip that a catalogue file describes by itself."""

    chip: ChipName
    row: Row


@dataclass(frozen=True, slots=True)
class CatalogueFile:
    """The content of one file."""

    name: str
    kinds: Mapping[str, Row] = field(default_factory=dict)
    series: Mapping[str, Row] = field(default_factory=dict)
    chips: Mapping[str, CatalogueChip] = field(default_factory=dict)
    models: tuple[str, ...] = ()
    """Keys of chips that are known to exist and that their series describes."""
    facts: Mapping[str, Fact] = field(default_factory=dict)
    makers_without: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Domains and controls that no chip of a maker has."""
    machines: tuple[str, ...] = ()
    """Classes of machines that a result can name."""


@dataclass(frozen=True, slots=True)
class TraitOrigin:
    """One trait of a chip, with the table that tells it."""

    trait: str
    value: str
    origin: str
    is_reviewed: bool


class Description:
    """All that the catalogue tells of one chip: its tables, the narrowest first."""

    def __init__(self, rows: Iterable[Row], kind_rows: Iterable[Row]) -> None:
        self.own_rows = tuple(rows)
        self._rows = (*self.own_rows, *kind_rows, _USUAL)
        # Each document asks for some of them some fifty times, and a description is kept.
        self._row_of = {
            trait: row
            for row in reversed(self._rows)
            for trait in TRAITS
            if getattr(row, trait) is not None
        }

    def row_of(self, trait: str) -> Row | None:
        """The table that a trait is from; None where no table tells it."""
        return self._row_of.get(trait)

    def row_of_step(self, control: str) -> Row:
        """The table that the step of a control is from."""
        return next(row for row in self._rows if control in row.grids)

    def is_unreviewed(self, trait: str) -> bool:
        """Whether a table tells the trait as general knowledge."""
        row = self.row_of(trait)
        return row is not None and trait in row.unreviewed

    def is_control_reviewed(self, control: str) -> bool:
        """Whether a source says that the chip has this control."""
        row = self.row_of("controls")
        return row is not None and control not in row.unreviewed

    @property
    def domains(self) -> tuple[Domain, ...]:
        """The domains that are adjusted separately; empty where they are not known."""
        row = self.row_of("domains")
        return (row.domains or ()) if row else ()

    @property
    def controls(self) -> tuple[Control, ...]:
        """The ways in which the chip can be adjusted; empty where they are not known."""
        row = self.row_of("controls")
        return (row.controls or ()) if row else ()

    def domains_of_control(self, control: str) -> tuple[Domain, ...]:
        """The domains that a control acts on; empty for the whole chip."""
        row = self.row_of("controls")
        named = row.control_domains.get(control, ()) if row else ()
        return tuple(one for one in named if one in self.domains) if self.domains else named

    @property
    def moves_together(self) -> tuple[tuple[Domain, ...], ...]:
        """Groups of domains on one supply; empty where none is known."""
        row = self.row_of("moves_together")
        groups = (row.moves_together or ()) if row else ()
        kept = (tuple(one for one in group if one in self.domains) for group in groups)
        return tuple(group for group in kept if len(group) > 1)

    @property
    def default_control(self) -> Control | None:
        """The control that an answer begins with; None where none is proposed."""
        row = self.row_of("default_control")
        return row.default_control if row else None

    @property
    def default_domain(self) -> Domain | None:
        """The domain that an answer begins with; None where none is named."""
        row = self.row_of("default_domain")
        return row.default_domain if row else None

    @property
    def factory_lock(self) -> FactoryLock | None:
        """Whether the series leaves the factory open; None where nothing is documented."""
        row = self.row_of("factory_lock")
        return row.factory_lock if row else None

    @property
    def remark(self) -> str | None:
        """What to know about the controls; None without a remark."""
        row = self.row_of("remark")
        return row.remark if row else None

    @property
    def clock_step_mhz(self) -> float | None:
        """The step of the clock in MHz; None where it is not known."""
        row = self.row_of("clock_step_mhz")
        return row.clock_step_mhz if row else None

    @property
    def clock_band_mhz(self) -> int:
        """The width in MHz of the clock bands that fixed-clock results are pooled by."""
        row = self.row_of("clock_band_mhz")
        return (row and row.clock_band_mhz) or 100

    def step_of(self, control: str) -> Fraction | None:
        """The step of a control in its unit; None where no table of the chip tells it."""
        row = next((row for row in self._rows[:-1] if control in row.grids), None)
        return row.grids[control].step if row else None

    def traits(self) -> Iterator[TraitOrigin]:
        """Every trait that a table tells, with its table; then the step of each control."""
        for trait in TRAITS:
            row = self.row_of(trait)
            if row is not None:
                # An exception has fewer domains than the table that groups them.
                value = _as_text(getattr(self if trait == "moves_together" else row, trait))
                yield TraitOrigin(trait, value, row.origin, trait not in row.unreviewed)
        for control in self.controls:
            step = self.step_of(control)
            if step is not None:
                row = self.row_of_step(control)
                is_reviewed = control not in row.unreviewed
                yield TraitOrigin(f"step of {control}", str(step), row.origin, is_reviewed)

    def has_domain(self, domain: Domain) -> Presence:
        """Whether the tables name this domain."""
        row = self.row_of("domains")
        if row is None or domain in row.domains_unclear:
            return _UNCLEAR
        is_certain = "domains" not in row.unreviewed
        state: Literal["present", "absent"] = "present" if domain in self.domains else "absent"
        return Presence(state, is_certain)

    def has_control(self, control: Control, domain: Domain | None) -> Presence:
        """Whether the tables name this control, on this domain if one is given."""
        row = self.row_of("controls")
        if row is None or control in row.controls_unclear:
            return _UNCLEAR
        if control not in self.controls:
            return Presence("absent", is_certain="controls" not in row.unreviewed)
        acts_on = self.domains_of_control(control)
        is_certain = control not in row.unreviewed
        if domain is None or not acts_on or domain in acts_on:
            return Presence("present", is_certain)
        return Presence("absent", is_certain=is_certain and "controls" not in row.unreviewed)


class Catalogue:
    """All described chips and series; earlier files overrule later ones."""

    def __init__(
        self, files: Iterable[CatalogueFile], own: Iterable[CatalogueFile] = (), stamp: str = ""
    ) -> None:
        self.stamp = stamp
        """Another text for other files of the host; empty without any."""
        bundled = tuple(files)
        patterns = {
            name: row.pattern
            for file in bundled
            for name, row in file.series.items()
            if row.pattern is not None
        }
        self._layers = (tuple(own), bundled)
        self._series = [
            [_matcher(name, row, patterns) for file in layer for name, row in file.series.items()]
            for layer in self._layers
        ]
        all_files = (*self._layers[0], *bundled)
        self.chips = _first_of(file.chips for file in all_files)
        """Chips that a file describes by itself, by key."""
        self.models = frozenset(chain(self.chips, *(file.models for file in all_files)))
        """Keys of all chips that the files name."""
        self.machines = frozenset(chain.from_iterable(file.machines for file in all_files))
        """Classes of machines."""
        self.facts = _first_of(file.facts for file in all_files)
        self._makers_without = _first_of(file.makers_without for file in all_files)
        # Chips and questions come again and again; a description is small.
        self.describe = lru_cache(2_048)(self._describe)
        """All that is known of a chip."""

    def find(self, key: str) -> ChipName | None:
        """The chip of this canonical key, if a file names it."""
        if (described := self.chips.get(key)) is not None:
            return described.chip
        return _identified(key, None, None).chip if key in self.models else None

    def placed(self, chip: ChipName) -> ChipName:
        """The chip with name, series and line from its file, else as it is."""
        known = self.chips.get(chip.key)
        return known.chip if known else chip

    def is_described(self, chip: ChipName) -> bool:
        """Whether any table describes the chip or its series."""
        return bool(self.describe(chip).own_rows)

    def describes_series(self, series: str) -> bool:
        """Whether any table describes this series."""
        return any(one.fits(series) for matchers in self._series for one in matchers)

    def tables_of(self, series: str) -> tuple[str, ...]:
        """The names of the tables with a pattern that describe this series."""
        return tuple(
            one.name
            for matchers in self._series
            for one in matchers
            if one.pattern is not None and one.fits(series)
        )

    def _describe(self, chip: ChipName) -> Description:
        kinds = [file.kinds for layer in self._layers for file in layer]
        return Description(
            self._rows_about(chip), (kind[chip.kind] for kind in kinds if chip.kind in kind)
        )

    def _rows_about(self, chip: ChipName) -> Iterator[Row]:
        """The tables about a chip, the narrowest of the host's files first."""
        series = self.placed(chip).series
        for layer, matchers in zip(self._layers, self._series, strict=True):
            yield from (file.chips[chip.key].row for file in layer if chip.key in file.chips)
            # A table of the very series is narrower than one of several.
            fitting = [found for found in matchers if found.fits(series)]
            for found in sorted(fitting, key=lambda one: one.pattern is not None):
                exceptions = found.row.exceptions
                fits = (one for one in exceptions if re.fullmatch(one.pattern or "", chip.key))
                yield from (*(one for one in (next(fits, None),) if one), found.row)

    def domains_for(self, chip: ChipName) -> tuple[Domain, ...]:
        """The domains of a chip that are adjusted separately; empty where they are not known."""
        return self.describe(chip).domains

    def controls_for(self, chip: ChipName) -> tuple[Control, ...]:
        """The ways in which a chip can be adjusted; empty where they are not known."""
        return self.describe(chip).controls

    def domain_presence(self, chip: ChipName, domain: Domain) -> Presence:
        """Whether a chip has this domain."""
        if domain in _NEVER[chip.kind] or domain in self._makers_without.get(chip.maker, ()):
            return Presence("absent", is_certain=True)
        return self.describe(chip).has_domain(domain)

    def control_presence(
        self, chip: ChipName, control: Control, domain: Domain | None = None
    ) -> Presence:
        """Whether a chip has this control, on this domain if one is named."""
        if control in self._makers_without.get(chip.maker, ()):
            return Presence("absent", is_certain=True)
        return self.describe(chip).has_control(control, domain)

    def usual_control(self, chip: ChipName) -> LimitControl:
        """The control of an answer about limits for which none is named and no result decides."""
        described = self.describe(chip)
        if described.default_control in LIMIT_CONTROLS:
            return described.default_control
        return next((one for one in LIMIT_CONTROLS if one in described.controls), LIMIT_CONTROLS[0])

    def usual_domain(self, chip: ChipName) -> Domain:
        """The domain of a question that names none."""
        described = self.describe(chip)
        usual: Domain = "core" if chip.kind == "cpu" else "gpu_core"
        if described.default_domain is not None:
            return described.default_domain
        if described.domains and usual not in described.domains:
            return described.domains[0]
        return usual

    def clock_band_for(self, chip: ChipName) -> int:
        """The width in MHz of the clock bands that fixed-clock results are pooled by."""
        return self.describe(chip).clock_band_mhz

    def find_clock_band(self, chip: ChipName, clock_mhz: float | None) -> int | None:
        """The lower end in MHz of the band that a clock lies in, None without a clock."""
        width_mhz = self.clock_band_for(chip)
        return None if clock_mhz is None else int(clock_mhz // width_mhz) * width_mhz

    def grid_for(self, chip: ChipName, control: str) -> Grid:
        """The steps of a control on a chip; raises CatalogueError for a control without limits."""
        if control not in LIMIT_CONTROLS:
            raise CatalogueError("This control has no grid of settings.")
        return self.describe(chip).row_of_step(control).grids[control]

    def tables_with(self, fact: str) -> tuple[str, ...]:
        """The names of the tables of series that a fact is about, in the order of the files."""
        return tuple(
            one.name
            for matchers in self._series
            for one in matchers
            if fact in (one.row.facts or ())
        )

    def due(self, month: str) -> tuple[str, ...]:
        """What must be looked at again by this month: facts and tables, the oldest first."""
        files = [file for layer in self._layers for file in layer]
        facts = ((fact.recheck_month, f"fact {key}") for key, fact in self.facts.items())
        rows = (
            (row.recheck_month, f"series {name}")
            for file in files
            for name, row in file.series.items()
        )
        found = sorted(one for one in chain(facts, rows) if one[0] and one[0] <= month)
        return tuple(f"{what} ({since})" for since, what in found)


def _as_text(value: object) -> str:
    """The value of a trait in one line."""
    if isinstance(value, FactoryLock):
        return f"{value.status}: {value.reason}"
    if isinstance(value, tuple):
        parts = [" with ".join(one) if isinstance(one, tuple) else str(one) for one in value]
        return ", ".join(parts) or "none"
    return str(value)


@dataclass(frozen=True, slots=True)
class _Matcher:
    """A table of series, and the series that it describes."""

    name: str
    row: Row
    pattern: "re.Pattern[str] | None"

    def fits(self, series: str) -> bool:
        """Whether the table describes this series."""
        if self.pattern is None:
            return self.name == series
        return self.pattern.fullmatch(series) is not None


def _matcher(name: str, row: Row, patterns: Mapping[str, str]) -> _Matcher:
    # A host's table of the same name as a bundled one is about the same series.
    pattern = row.pattern or patterns.get(name)
    return _Matcher(name, row, re.compile(pattern) if pattern else None)


_Value = TypeVar("_Value")


def _first_of(tables: Iterable[Mapping[str, _Value]]) -> dict[str, _Value]:
    """One table of all, in which earlier ones win."""
    merged: dict[str, _Value] = {}
    for table in tables:
        merged = {**table, **merged}
    return merged


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
