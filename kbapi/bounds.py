"""All bounds of intake, with the unit in the name and the reason in a comment."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from kbapi.vocabulary import DOMAINS, Domain, LimitControl


@dataclass(frozen=True, slots=True)
class DepthBound:
    """The depth below stock beyond which a setting is excluded (soft) or refused (hard)."""

    soft: int
    hard: int


# Compute rails have the deepest limits. The rails of memory and interfaces fail much earlier, so
# a deep number there is more often a wrong unit of measure than a good chip.
_COMPUTE_RAIL_MV: Final = DepthBound(soft=160, hard=300)
_INTERFACE_RAIL_MV: Final = DepthBound(soft=100, hard=300)
_INTERFACE_RAILS: Final[tuple[Domain, ...]] = ("graphics", "system_agent", "io", "memory")

# Makers allow about 30 counts, some twice as many.
_COUNTS: Final = DepthBound(soft=30, hard=60)

# At a fixed clock the whole distance to its stock voltage is possible.
_FIXED_CLOCK_MV: Final = DepthBound(soft=200, hard=350)


DEPTH_BOUNDS: Final[Mapping[tuple[LimitControl, Domain], DepthBound]] = {
    **{("voltage_offset", domain): _COMPUTE_RAIL_MV for domain in DOMAINS},
    **{("voltage_offset", domain): _INTERFACE_RAIL_MV for domain in _INTERFACE_RAILS},
    **{("count_offset", domain): _COUNTS for domain in DOMAINS},
    **{("fixed_clock_voltage", domain): _FIXED_CLOCK_MV for domain in DOMAINS},
}
"""The bounds of a control on a domain, below stock, in mV (counts for count_offset)."""

# An offset of less than 5 mV is a whole number, 2.5 mV or a step of 1/1024 V. Other numbers there,
# such as 1.25, are volts. Steps are sent rounded, such as 4.88 or 4.9.
LIKE_VOLTS_BELOW_MV: Final = 5
STEP_OF_1024_MV: Final = 125 / 128
STEP_ROUNDING: Final = 0.06

# No chip of the last twenty years works below, or should get more than, these voltages.
FIXED_CLOCK_LEAST_MV: Final = 400
FIXED_CLOCK_MOST_MV: Final = 1_500

# The clock of a fixed voltage; also the range of clock bands.
CLOCK_LEAST_MHZ: Final = 100
CLOCK_MOST_MHZ: Final = 10_000

# A read-back within this distance of the setting shows an effect: read-backs are rounded to the
# grid of the rail, which has steps of up to 6.25 mV.
READ_BACK_TOLERANCE_MV: Final = 6.25
READ_BACK_TOLERANCE_COUNTS: Final = 0

# The assumed next step of a tester, if the document does not contain it.
ASSUMED_STEP_MV: Final = 5
ASSUMED_STEP_COUNTS: Final = 1

# Grades of testing, in minutes.
QUICK_LEAST_MINUTES: Final = 10
LONG_LEAST_MINUTES: Final = 30
IN_USE_LEAST_DAYS: Final = 30
"""Days in use, reported by a follow-up."""

# Size of a document.
MOST_SETTINGS: Final = 32
MOST_ITEMS: Final = 1_000
"""Results of one batch."""
MOST_LOCKS: Final = 64
MOST_TRIALS: Final = 256
MOST_READINGS: Final = 64
MOST_RUNS: Final = 10_000
MOST_MINUTES: Final = 525_600
"""A year; a larger number has a wrong unit of measure."""
MOST_SECONDS: Final = 60 * MOST_MINUTES
MOST_WATTS: Final = 2_000
"""No power supply of a machine delivers more: a larger number has a wrong unit of measure."""
LONGEST_VERSION: Final = 80
LONGEST_MACHINE: Final = 60
DEEPEST_NESTING: Final = 16
LARGEST_INTEGER: Final = 2**53
"""Beyond it JSON readers disagree on the number."""
MOST_VALUES: Final = 40_000
"""Values, or texts with field names, of one document; the largest possible result has 33,000."""
MOST_UNKNOWN_FIELDS: Final = 32
"""More come from a program that sends another format, not from a typing error."""
MOST_PROBLEMS: Final = 64
"""Problems that one answer lists; a person corrects no more at once."""
LONGEST_TEXT: Final = 400
LONGEST_RECORD: Final = 10_000
"""Characters of a record that holds a chip's name, such as the kernel's list of processors."""
MOST_TEXTS: Final = 2_000
"""Texts in a document that are not plain words; no result needs a tenth of them."""

# Readings of absent sensors: reserved values of one and two bytes, and two temperatures that some
# firmware always reports (301.0 K and 290.0 K).
ABSENT_SENSOR: Final = frozenset({-128, 127, 255, 511, 65_535})
ABSENT_WORD: Final = 65_535
DUMMY_C: Final = frozenset({27.85, 16.85})

# Plausible readings.
COLDEST_C: Final = -20
HOTTEST_C: Final = 130
HOTTEST_IDLE_C: Final = 95
"""A chip that is hotter when idle is defective, or its sensor reports Fahrenheit."""
HOTTEST_ROOM_C: Final = 50
HOTTEST_AS_FAHRENHEIT: Final = 266
"""130 C; hotter than this is wrong in either unit."""
MOST_POWER_W: Final = 1_000
LEAST_CLOCK_MHZ: Final = 10
"""A smaller clock is probably in GHz."""
QUIETEST_DBA: Final = 10
LOUDEST_DBA: Final = 120

# Two readings have equal power, or clock, if they differ by no more than repeated runs.
EQUAL_POWER: Final = 0.02
EQUAL_CLOCK: Final = 0.02
EQUAL_PERFORMANCE: Final = 0.02
POWER_NOISE: Final = 0.02
CLOCK_NOISE: Final = 0.01
TEMPERATURE_NOISE_C: Final = 2
LEAST_POWER_RATIO: Final = 0.5
"""No offset halves the power at an equal clock."""

MOST_OF_EXPECTED_COOLING: Final = 1.5
"""A larger ratio of measured to expected cooling has another cause than the power."""
EXPECTED_COOLING_FLOOR_C: Final = 3
"""Below this, the rounding of sensors to whole degrees dominates."""

# One worker of a server: each connection needs a file of the system.
MOST_CONNECTIONS: Final = 1_000
