"""The one place where a wire value becomes whole grid steps below stock, and the way back."""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor


@dataclass(frozen=True, slots=True)
class Grid:
    """The steps that a control can be set in.

    `step` is exact and in the control's own unit: mV for voltage_offset and
    fixed_clock_voltage (125/128 for the 1/1024 V grid), counts for count_offset.
    """

    step: Fraction

    def __post_init__(self) -> None:
        if self.step <= 0:
            raise ValueError("a grid step is positive")

    def stable_steps(self, below_stock: float) -> int:
        """Nearest grid step of a setting that passed; a tie goes toward stock (shallower).

        `below_stock` is in mV or counts, non-negative.

        >>> Grid(Fraction(125, 128)).stable_steps(82)
        84
        >>> Grid(Fraction(5)).stable_steps(82.5)
        16
        """
        return ceil(self._exact_steps(below_stock) - Fraction(1, 2))

    def unstable_steps(self, below_stock: float) -> int:
        """Nearest grid step of a setting that failed; a tie goes away from stock (deeper).

        >>> Grid(Fraction(5)).unstable_steps(82.5)
        17
        """
        return floor(self._exact_steps(below_stock) + Fraction(1, 2))

    def below_stock(self, steps: int) -> float:
        """Distance below stock of a grid step, in mV or counts, to two decimals.

        >>> Grid(Fraction(125, 128)).below_stock(70)
        68.36
        """
        return round(float(steps * self.step), 2)

    def enter(self, steps: int) -> int:
        """The whole number below stock that a person types: rounded toward stock.

        >>> Grid(Fraction(125, 128)).enter(70)
        68
        """
        return floor(steps * self.step)

    def least_gain(self) -> int:
        """Steps beyond a typed setting after which the number to type is surely another one.

        >>> Grid(Fraction(125, 128)).least_gain(), Grid(Fraction(1)).least_gain()
        (2, 1)
        """
        # A typed number lies up to half a step off the grid; the next one is rounded toward stock.
        return 1 if self.step.denominator == 1 else ceil(1 / self.step + Fraction(1, 2))

    def _exact_steps(self, below_stock: float) -> Fraction:
        if below_stock < 0:
            raise ValueError("a setting above stock has no depth")
        # repr gives the decimal that was sent, so that 82.5 on a 5 mV grid is a true tie.
        return Fraction(repr(float(below_stock))) / self.step
