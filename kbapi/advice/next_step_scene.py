"""Where a search stands: the unit's own runs, the pool's belief, and the plan from there on."""

from dataclasses import dataclass

from kbapi.advice.evidence_found import EvidenceFound
from kbapi.advice.next_step_terms import careful_gain, deepest_steps, terms_of
from kbapi.advice.next_step_told import GridSetting, ProposedSetting
from kbapi.advice.question import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.advice.told import moved_with, setting_of
from kbapi.chips.catalogue import Catalogue
from kbapi.evidence.own_runs import OwnRuns, OwnSearch
from kbapi.evidence.related import SCALES
from kbapi.stats.careful_plan import CarefulPlan
from kbapi.stats.grid import Grid
from kbapi.stats.limit_chances import chances_of_unit, limit_chances
from kbapi.stats.next_step import SearchPlan, SearchTerms, Stop, plan_search
from kbapi.stats.pool import PoolFit, fit_pool
from kbapi.stats.start import depth_in_reach, says_something
from kbapi.vocabulary import DOMAINS, Domain, LimitControl


@dataclass(frozen=True)
class SearchScene:
    """Everything that the parts of one answer are made from."""

    question: Question
    search: OwnSearch
    found: EvidenceFound
    control: LimitControl
    grid: Grid
    rails: tuple[Domain, ...]
    """Moved together, the one asked for among them, in their fixed order."""
    own: OwnRuns
    pool: PoolFit
    terms: SearchTerms
    deepest: int
    plan: SearchPlan | CarefulPlan

    @property
    def has_evidence(self) -> bool:
        """Whether anybody's results say where to go."""
        return says_something(self.pool)

    @property
    def bracket(self) -> tuple[int, int]:
        """What is known of the unit's limit, ended where nobody is sent any deeper."""
        if isinstance(self.plan, SearchPlan):
            return self.plan.chances.stable_steps, self.plan.chances.unstable_steps
        return self.own.stable_steps, self.own.unstable_steps

    def setting(self, steps: int) -> GridSetting:
        """A depth as a setting."""
        setting = setting_of(self.control, self.grid, steps)
        in_counts = self.control == "count_offset"
        stock_mv = self.search.stock_mv if self.control == "fixed_clock_voltage" else None
        return GridSetting(
            setting_mv=None if in_counts else setting,
            setting_counts=int(setting) if in_counts else None,
            grid_steps=steps,
            value_to_enter=-self.grid.enter(steps),
            at_clock_mv=None if stock_mv is None else round(stock_mv + setting, 2),
        )

    def next_in(self, stable: int, unstable: int) -> ProposedSetting | None:
        """What to try in a bracket; None where the search ends, or stock itself fails."""
        steps = self.plan.next_from(stable, unstable)
        if steps is None or self.own.has_failed_at_stock:
            return None
        chance = self.plan.chance_stable(steps, stable, unstable)
        told = self.setting(steps)
        return ProposedSetting(
            setting_mv=told.setting_mv,
            setting_counts=told.setting_counts,
            grid_steps=steps,
            value_to_enter=told.value_to_enter,
            at_clock_mv=told.at_clock_mv,
            chance_stable=None if chance is None else round(chance, 4),
        )

    def after(self, outcome: str, bracket: tuple[int, int]) -> tuple[int, int] | None:
        """The bracket that the next trial leaves, as it is typed; None where there is none."""
        stable, unstable = bracket
        steps = self.plan.next_from(stable, unstable)
        if steps is None:
            return None
        typed = self.grid.enter(steps)
        if outcome == "stable":
            return self.grid.stable_steps(typed), unstable
        return stable, max(self.grid.unstable_steps(typed), stable + 1)

    def stop_in(self, stable: int, unstable: int) -> Stop:
        """Why the search ends in a bracket in which it does."""
        return self.plan.stop_in(stable, unstable) or Stop.BRACKETED


def search_scene(
    question: Question,
    search: OwnSearch,
    found: EvidenceFound,
    control: LimitControl,
    catalogue: Catalogue,
) -> SearchScene:
    """Where a search stands.

    Raises
    ------
    DocumentRefused
        When the runs, or what is wished for, can't be right for this control.
    """
    grid = catalogue.grid_for(question.chip, control)
    rails = _rails(question, found)
    own = search.runs_in(control, rails, grid)
    pool = fit_pool(found.intervals, found.siblings, float(grid.step), SCALES[control])
    terms = terms_of(search, control, grid, _start_of(pool, found))
    deepest = deepest_steps(search, control, rails, grid)
    plan: SearchPlan | CarefulPlan
    if says_something(pool) and deepest > 0:
        belief = limit_chances(pool, deepest)
        chances = chances_of_unit(belief, own.stable_steps, own.unstable_steps)
        plan = plan_search(chances, terms)
    else:
        gain = careful_gain(control, grid, terms.resolution_steps)
        plan = CarefulPlan(gain, terms.resolution_steps, deepest)
    return SearchScene(
        question, search, found, control, grid, rails, own, pool, terms, deepest, plan
    )


def _rails(question: Question, found: EvidenceFound) -> tuple[Domain, ...]:
    others = moved_with(question, found) if found.pool else question.moved_with or ()
    return tuple(code for code in DOMAINS if code == question.domain or code in others)


def _start_of(pool: PoolFit, found: EvidenceFound) -> int:
    """The suggested start in steps, 0 where there is none."""
    if not says_something(pool):
        return 0
    stable_share_used = found.guard.stable_share_used(DEFAULT_SHARE)
    return max(0, depth_in_reach(pool, stable_share_used, DEFAULT_CONFIDENCE).shallow)
