"""The parts of an answer about the next step, as they go over the wire."""

from dataclasses import dataclass

from kbapi.advice.cautions import Caution
from kbapi.advice.start_answer import LockSummary
from kbapi.advice.told import EvidenceSummary
from kbapi.chips.chip import ChipSummary


@dataclass(frozen=True, slots=True)
class GridSetting:
    """One setting on the grid, and what a person types for it."""

    setting_mv: float | None
    """Two decimals, negative is lower; below the unit's own stock for fixed_clock_voltage."""
    setting_counts: int | None
    """Negative is lower; this instead of mV for count_offset."""
    grid_steps: int
    """Grid steps below stock."""
    value_to_enter: int
    """The whole number toward stock that a person types."""
    at_clock_mv: float | None
    """The absolute voltage, with fixed_clock_voltage."""


@dataclass(frozen=True, slots=True)
class ProposedSetting(GridSetting):
    """The setting to try next."""

    chance_stable: float | None
    """That it passes, from the pool and the unit's own runs; None without evidence."""


@dataclass(frozen=True, slots=True)
class NoStepReason:
    """Why no further setting is proposed."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class OwnBracket:
    """What the unit's own runs say of its limit."""

    stable: GridSetting | None
    """The deepest that passed short of every failure; None for stock."""
    unstable: GridSetting | None
    """The shallowest that failed; None without one."""
    passes: int
    failures: int


@dataclass(frozen=True, slots=True)
class UnusedTrial:
    """A run that says nothing of the limit looked for."""

    trial: int
    """Its place in `trials`, from 0."""
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class SearchForecast:
    """What is left of a search, on average."""

    trials: float
    failures: float
    minutes: float
    stable_at: float
    """The deepest setting that will have passed, in mV or counts, negative is lower."""


@dataclass(frozen=True, slots=True)
class RecommendedInUse:
    """Where to settle if the search ended now."""

    setting: GridSetting | None
    """None for stock."""
    margin: float
    """How far it is kept from the deepest pass, in mV or counts."""
    text: str


@dataclass(frozen=True, slots=True)
class PlanStep:
    """What comes after the next trials ended so."""

    outcomes: tuple[str, ...]
    """How the next one or two trials ended: stable or failed."""
    next_step: ProposedSetting | None
    """None where the search ends."""
    recommended_in_use: RecommendedInUse
    text: str


@dataclass(frozen=True, slots=True)
class DomainGroup:
    """Rails that are moved together, in their turn."""

    domains: tuple[str, ...]
    is_asked: bool
    has_been_moved: bool
    """In any of the runs that were sent."""


@dataclass(frozen=True, slots=True)
class NextStepAnswer:
    """The whole answer."""

    chip: ChipSummary
    domain: str
    control: str
    moved_with: tuple[str, ...]
    clock_band_mhz: int | None
    locks: LockSummary
    basis: str
    """pool, or no_evidence: then steps are small and no chance is known."""
    level: str
    """Whose units the chances lean on: chip, series, line or none."""
    own_bracket: OwnBracket
    unused_trials: tuple[UnusedTrial, ...]
    next_step: ProposedSetting | None
    reason: NoStepReason | None
    """Why there is none."""
    recommended_in_use: RecommendedInUse
    expected_search: SearchForecast | None
    """Of the search proposed here, from now on."""
    margin_source: str
    """learned from follow-ups; default; or default_failed where follow-ups rule the default out."""
    fixed_step_search: SearchForecast | None
    """Of a search by fixed steps from the same runs on, under the same chances."""
    fixed_step_search_text: str
    plan: tuple[PlanStep, ...]
    domain_order: tuple[DomainGroup, ...]
    """All rails of the chip in the order in which to take them, one group at a time."""
    resolution: float
    """Wanted, rounded up to whole steps of the control; in mV or counts, like max_step."""
    max_risk: float
    max_step: float
    stop_rules: tuple[str, ...]
    evidence: EvidenceSummary
    summary: str
    cautions: tuple[Caution, ...]
