"""A search where nothing is known of a chip: from what has passed by the smallest steps."""

from dataclasses import dataclass

from kbapi.stats.next_step import Stop


@dataclass(frozen=True, slots=True)
class CarefulPlan:
    """Equal small steps toward the limit; no chance is told, since none is known.

    Parameters
    ----------
    gain_steps : how far beyond what has passed, whole grid steps
    resolution_steps : width of a bracket that is fine enough, `gain_steps` or more
    deepest : the deepest step that anybody is sent to
    """

    gain_steps: int
    resolution_steps: int
    deepest: int

    def next_from(self, stable_steps: int, unstable_steps: int) -> int | None:
        """The setting to try in a bracket, None where the search ends.

        >>> plan = CarefulPlan(gain_steps=5, resolution_steps=5, deepest=12)
        >>> plan.next_from(0, 1 << 30), plan.next_from(5, 10), plan.next_from(10, 1 << 30)
        (5, None, None)
        """
        is_over = self.stop_in(stable_steps, unstable_steps) is not None
        return None if is_over else stable_steps + self.gain_steps

    def chance_stable(self, _setting: int, _stable_steps: int, _unstable_steps: int) -> None:
        """None: nobody can tell."""
        return

    def stop_in(self, stable_steps: int, unstable_steps: int) -> Stop | None:
        """Why the search ends in a bracket, None where it goes on."""
        if unstable_steps - stable_steps <= self.resolution_steps:
            return Stop.BRACKETED
        return (
            Stop.DEEPEST_ALLOWED_REACHED if stable_steps + self.gain_steps > self.deepest else None
        )
