"""The parts of an answer about the next step, as they go over the wire."""

from dataclasses import dataclass
from typing import Literal

from kbapi.advice.cautions import Caution
from kbapi.advice.start_answer import LockSummary
from kbapi.advice.told import EvidenceSummary
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.own_runs import UnusedTrialCode
from kbapi.stats.siblings import Level
from kbapi.vocabulary import Domain, LimitControl, MarginSource, Outcome

NoStepCode = Literal["fails_at_stock", "bracketed", "too_risky", "deepest_allowed_reached"]
NextStepBasis = Literal["pool", "no_evidence"]


@dataclass(frozen=True, slots=True)
class GridSetting:
    """One setting on the control's grid, and what a person enters for it."""

    setting_mv: float | None
    """The setting in mV with two decimals, negative is lower; for fixed_clock_voltage it is below
    the unit's own stock voltage; null for count_offset."""
    setting_counts: int | None
    """The setting in counts, negative is lower; null except for count_offset."""
    grid_steps: int
    """The setting as grid steps below stock."""
    value_to_enter: int
    """Whole number of mV or counts, rounded toward stock; negative is lower. For
    fixed_clock_voltage it is the distance below your own stock voltage at that clock."""
    at_clock_mv: float | None
    """The absolute voltage in mV, with fixed_clock_voltage; else null."""


@dataclass(frozen=True, slots=True)
class ProposedSetting(GridSetting):
    """The setting to try next."""

    chance_stable: float | None
    """Chance that it passes, from the pool and your own trials, 0 to 1; null without results."""


@dataclass(frozen=True, slots=True)
class NoStepReason:
    """Why no further setting is proposed."""

    code: NoStepCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


@dataclass(frozen=True, slots=True)
class OwnBracket:
    """What your own trials say of the limit of this unit."""

    stable: GridSetting | None
    """The deepest setting that passed, short of every failure; null for stock."""
    unstable: GridSetting | None
    """The shallowest setting that failed; null where none did."""
    passes: int
    """Number of trials that passed and count."""
    failures: int
    """Number of trials that failed and count."""


@dataclass(frozen=True, slots=True)
class UnusedTrial:
    """A trial that says nothing about the limit that is searched for."""

    trial: int
    """Its index in `trials` of the request, from 0."""
    code: UnusedTrialCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


@dataclass(frozen=True, slots=True)
class SearchForecast:
    """What a search will still take, on average."""

    trials: float
    """Mean number of trials."""
    failures: float
    """Mean number of failures among them."""
    minutes: float
    """Mean time in minutes, failures included."""
    stable_at: float
    """Mean deepest setting that will have passed, in mV or counts, negative is lower."""


@dataclass(frozen=True, slots=True)
class RecommendedInUse:
    """The setting to use from day to day if the search ended now."""

    setting: GridSetting | None
    """The setting; null for stock."""
    margin: float
    """Distance from the deepest setting that passed, in mV or counts, positive is toward stock."""
    text: str
    """The recommendation in one sentence."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """What to do after the next trials end in one way."""

    outcomes: tuple[Outcome, ...]
    """How the next one or two trials ended, in order."""
    next_step: ProposedSetting | None
    """The setting to try then; null where the search ends."""
    recommended_in_use: RecommendedInUse
    """The setting to use from day to day if the search ended then."""
    text: str
    """The plan in one sentence."""


@dataclass(frozen=True, slots=True)
class DomainGroup:
    """Domains that are moved together, in the order in which to search them."""

    domains: tuple[Domain, ...]
    """The domains of the group."""
    is_requested: bool
    """Whether the domain that was asked about is among them."""
    has_been_moved: bool
    """Whether any of the trials that were sent moved one of them."""


@dataclass(frozen=True, slots=True)
class NextStepAnswer:
    """The next setting to try in a search, with its risk, or the reason why there is none."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control that the answer is about: the one asked for, else the one with most results."""
    moved_with: tuple[Domain, ...]
    """Domains that move together with the one asked about; empty where it moves alone."""
    clock_band_mhz: int | None
    """Lower end of the clock band of the results in MHz, with fixed_clock_voltage; else null."""
    locks: LockSummary
    """Whether the control can be used on this chip."""
    basis: NextStepBasis
    """What the steps are computed from: `pool`, or `no_evidence` where steps are small and chances
    unknown."""
    level: Level
    """Whose units the chances are computed from: `chip`, `series`, `line` or `none`."""
    own_bracket: OwnBracket
    """What your own trials say of the limit of this unit."""
    unused_trials: tuple[UnusedTrial, ...]
    """Trials that say nothing about this limit, each with its reason."""
    next_step: ProposedSetting | None
    """The setting to try next; null where the search ends, `reason` says why."""
    reason: NoStepReason | None
    """Why no further setting is proposed; null where one is."""
    recommended_in_use: RecommendedInUse
    """The setting to use from day to day if the search ended now."""
    expected_search: SearchForecast | None
    """What the rest of this search will take; null where it is not known."""
    margin_source: MarginSource
    """Where the margin of `recommended_in_use` comes from."""
    fixed_step_search: SearchForecast | None
    """What a search by fixed steps would take from here; null where it is not known."""
    fixed_step_search_text: str
    """What a search by fixed steps is, in one sentence."""
    plan: tuple[PlanStep, ...]
    """What to do after each way in which the next one or two trials can end; empty at the end."""
    domain_order: tuple[DomainGroup, ...]
    """All domains of the chip in the order in which to search them, one group at a time."""
    resolution: float
    """How finely the limit is searched, in mV or counts, rounded up to whole grid steps."""
    max_risk: float
    """Highest chance of failure of a proposed setting, 0 to 1."""
    max_step: float
    """Farthest step beyond the deepest pass or the suggested start, in mV or counts."""
    stop_rules: tuple[str, ...]
    """When to stop a trial or the search, one sentence each."""
    evidence: EvidenceSummary
    """The evidence behind the answer."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""
