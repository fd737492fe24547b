"""Serving at a stricter share while something about the pool is not yet looked at."""

from dataclasses import dataclass
from typing import Final

_TOLERATED_FLAGS: Final = 0.02
_FACTOR: Final = 0.9


@dataclass(frozen=True, slots=True)
class Guard:
    """What stands against a pool: unreviewed deep flags and drift.

    Parameters
    ----------
    flagged_share : share of the pool's weight under unreviewed deep flags, 0 to 1
    drift_alarm : whether a drift alarm stands
    """

    flagged_share: float
    drift_alarm: bool

    @property
    def stands(self) -> bool:
        """Whether more than 2 % is flagged or the alarm stands."""
        return self.drift_alarm or self.flagged_share > _TOLERATED_FLAGS

    def stable_share_used(self, stable_share: float) -> float:
        """The share that is served for the one asked: 1 - 0.9 (1 - s) while the guard stands.

        >>> [round(Guard(flagged, False).stable_share_used(0.9), 4) for flagged in (0.02, 0.03)]
        [0.9, 0.91]
        """
        return 1.0 - _FACTOR * (1.0 - stable_share) if self.stands else stable_share


NO_GUARD: Final = Guard(flagged_share=0.0, drift_alarm=False)
