"""How often people do what, in one table; the folder's README shows the same figures.

Shares of documents are of all documents; the others are of what their comment says.
"""

from typing import Final

CLIENT: Final = "tidewater-synthetic/1"
"""Every document names it, so that nobody takes one for a real result."""

# Of all documents, apart from the locked machines, whose share the classes' firmware decides
# (about 0.10, see seed_data/machines.toml).
CLAIMS: Final = 0.20
WRONG_UNITS: Final = 0.03
LOCKED_ABOUT: Final = 0.10

# Of documents from locked machines.
LOCKED_AND_CLAIMING: Final = 0.35

# Of testers with effect.
PLANNED_END: Final = 0.35
FEELS_WRONG: Final = 0.06
ROUND_NUMBERS: Final = 0.30
SHORT_TESTS: Final = 0.05
SESSION_TESTS: Final = 0.70
STOCK_PASSED_TOLD: Final = 0.95
IN_USE_TOLD: Final = 0.70
READINGS_TOLD: Final = 0.50
# Of those with readings and an effect: measured again under lower power limits.
CAPS_TOLD: Final = 0.40
TRIALS_TOLD: Final = 0.40

# Of documents from machines that are open.
OPEN_LOCK_TOLD: Final = 0.50
# Of the changes that a class's owners know, each, where the machine is open.
CHANGE_MADE: Final = 0.40
# Of machines on an older release whose class locks more than half of the newest one's machines.
STAYED_ON_OLDER: Final = 0.30

# Of machines: those with the newest firmware of their month, and those that tell their second chip.
NEWEST_FIRMWARE: Final = 0.70
SECOND_CHIP_TOLD: Final = 0.70

# Of members: one, two and three machines.
MACHINES_OWNED: Final = (0.80, 0.15, 0.05)

# How a lock status was found: read back, read up, said.
FOUND_BY: Final = {"written_and_read_back": 0.55, "documented": 0.15, "owner_says": 0.30}

# What shows the effect of a setting that never failed.
EFFECT_SHOWN_BY: Final = {
    "read_back": 0.70,
    "rail_voltage": 0.10,
    "less_power": 0.10,
    "more_clock": 0.10,
}

# Of honest results that tell the setting in use.
FOLLOWED_UP: Final = 0.25
# Of follow-ups: what ended the watch, and what had changed by then.
LOST: Final = {"machine_gone": 0.03, "given_up": 0.03, "locked_later": 0.03}
CHANGED: Final = {
    "firmware": 0.25,
    "microcode": 0.12,
    "driver": 0.20,
    "os": 0.25,
    "season": 0.50,
    "cooling": 0.10,
}
FAILED_LATER: Final = 0.06

# The planted truth: on this class of machines a firmware update, which more of its owners have
# made, shortens limits, and who has trouble says so.
SHORTENED_CLASS: Final = "harbour-15"
SHORTENED_BY: Final = "firmware"
UPDATED: Final = 0.40
FAILED_AFTER_IT: Final = 0.60
FOLLOWED_UP_THERE: Final = 0.80
