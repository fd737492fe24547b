"""What is believed of a pool's mean and spread before its own units are seen."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.scale import PriorScale
from kbapi.stats.shapes import Shape

Grid2 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bell:
    """A normal distribution, cut to the thinkable range."""

    centre: float
    sd: float

    def log_density(self, values: Grid2, low: float, high: float) -> Grid2:
        """Log density on [low, high], where all of it lies.

        >>> np.exp(Bell(0.0, 1.0).log_density(np.zeros(1), -9.0, 9.0)).round(4).tolist()
        [0.3989]
        """
        inside = scipy.special.ndtr((high - self.centre) / self.sd) - scipy.special.ndtr(
            (low - self.centre) / self.sd
        )
        peak = -np.log(self.sd * np.sqrt(2 * np.pi) * max(float(inside), 1e-12))
        return np.asarray(peak - 0.5 * ((values - self.centre) / self.sd) ** 2)


@dataclass(frozen=True, slots=True)
class VaguePrior:
    """Every thinkable mean and log standard deviation is as likely as any other."""

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        area = (scale.mean_high - scale.mean_low) * np.log(scale.sd_high / scale.sd_low)
        return np.full(mean.shape, -np.log(area))


@dataclass(frozen=True, slots=True)
class MixedPrior:
    """A bell in mean and in log standard deviation, mixed with a share of vague mass."""

    mean: Bell
    log_sd: Bell
    vague_mass: float

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        # One of the two masses may be nothing, then only the other speaks.
        with np.errstate(divide="ignore"):
            informed_mass, vague_mass = np.log1p(-self.vague_mass), np.log(self.vague_mass)
        bell = self.mean.log_density(mean, scale.mean_low, scale.mean_high)
        bell += self.log_sd.log_density(log_sd, np.log(scale.sd_low), np.log(scale.sd_high))
        vague = VaguePrior().log_density(mean, log_sd, scale)
        return np.asarray(np.logaddexp(informed_mass + bell, vague_mass + vague))


Prior = VaguePrior | MixedPrior


@dataclass(frozen=True, slots=True)
class ShapePrior:
    """What is believed of a shape: its probability, and mean and spread if it is the true one."""

    shape: Shape
    chance: float
    prior: Prior


NO_BELIEF: Final = (ShapePrior(Shape.SMALLEST_EXTREME, 1.0, VaguePrior()),)
"""Nothing known: a long weak tail is taken for granted, the cautious one of the shapes."""
