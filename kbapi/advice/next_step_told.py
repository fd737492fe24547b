"""The parts of an answer about the next step, as they go over the wire."""

from dataclasses import dataclass

from kbapi.advice.cautions import Caution
from kbapi.advice.start_answer import LocksTold
from kbapi.advice.told import ChipAnswered, EvidenceBehind


@dataclass(frozen=True, slots=True)
class SettingTold:
    """One setting on the grid, and what a person types for it."""

    setting_mv: float | None
    """Two decimals, negative is lower; below the unit's own stock for fixed_clock_voltage."""
    setting_counts: int | None
    """Negative is lower; this instead of mV for count_offset."""
    steps: int
    """Grid steps below stock."""
    enter: int
    """The whole number toward stock that a person types."""
    at_clock_mv: float | None
    """The absolute voltage, with fixed_clock_voltage."""


@dataclass(frozen=True, slots=True)
class NextTold(SettingTold):
    """The setting to try next."""

    chance_stable: float | None
    """That it passes, from the pool and the unit's own runs; None without evidence."""


@dataclass(frozen=True, slots=True)
class WhyNoStep:
    """Why no further setting is proposed."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class OwnTold:
    """What the unit's own runs say of its limit."""

    stable: SettingTold | None
    """The deepest that passed short of every failure; None for stock."""
    unstable: SettingTold | None
    """The shallowest that failed; None without one."""
    passes: int
    failures: int


@dataclass(frozen=True, slots=True)
class UnusedTold:
    """A run that says nothing of the limit looked for."""

    trial: int
    """Its place in `trials`, from 0."""
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class SearchExpected:
    """What is left of a search, on average."""

    trials: float
    failures: float
    minutes: float
    ends_at: float
    """The deepest setting that will have passed, in mV or counts, negative is lower."""


@dataclass(frozen=True, slots=True)
class SettleTold:
    """Where to settle if the search ended now."""

    at: SettingTold | None
    """None for stock."""
    margin: float
    """How far it is kept from the deepest pass, in mV or counts."""
    text: str


@dataclass(frozen=True, slots=True)
class PlanLine:
    """What comes after the next trials ended so."""

    after: tuple[str, ...]
    """How the next one or two trials ended: stable or failed."""
    next: NextTold | None
    """None where the search ends."""
    settle: SettleTold
    text: str


@dataclass(frozen=True, slots=True)
class RailGroup:
    """Rails that are moved together, in their turn."""

    domains: tuple[str, ...]
    is_asked: bool
    has_been_moved: bool
    """In any of the runs that were sent."""


@dataclass(frozen=True, slots=True)
class NextStepAnswer:
    """The whole answer."""

    chip: ChipAnswered
    domain: str
    control: str
    moved_with: tuple[str, ...]
    clock_band_mhz: int | None
    locks: LocksTold
    basis: str
    """pool, or no_evidence: then steps are small and no chance is known."""
    level: str
    """Whose units the chances lean on: chip, series, line or none."""
    own: OwnTold
    unused: tuple[UnusedTold, ...]
    next: NextTold | None
    reason: WhyNoStep | None
    """Why there is none."""
    settle: SettleTold
    expected: SearchExpected | None
    """Of the search proposed here, from now on."""
    margin_is: str
    """learnt from follow-ups, custom, or custom_failed where these rule the customary one out."""
    customary: SearchExpected | None
    """Of a search by fixed steps from the same runs on, under the same chances."""
    customary_text: str
    plan: tuple[PlanLine, ...]
    order: tuple[RailGroup, ...]
    """All rails of the chip in the order in which to take them, one group at a time."""
    resolution: float
    """Wanted, rounded up to whole steps of the control; in mV or counts, like max_step."""
    max_risk: float
    max_step: float
    stop_rules: tuple[str, ...]
    evidence: EvidenceBehind
    summary: str
    cautions: tuple[Caution, ...]
