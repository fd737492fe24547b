"""The closed lists of words of the wire format, each in the order in which it is always shown."""

from typing import Final, Literal

Domain = Literal[
    "core",
    "ecore_cluster",
    "gpu_core",
    "graphics",
    "io",
    "memory",
    "ring",
    "soc",
    "system_agent",
]
DOMAINS: Final[tuple[Domain, ...]] = (
    "core",
    "ecore_cluster",
    "gpu_core",
    "graphics",
    "io",
    "memory",
    "ring",
    "soc",
    "system_agent",
)

LimitControl = Literal["voltage_offset", "count_offset", "fixed_clock_voltage"]
LIMIT_CONTROLS: Final[tuple[LimitControl, ...]] = (
    "voltage_offset",
    "count_offset",
    "fixed_clock_voltage",
)
"""The controls that have a limit to look for; power limits and load lines have none."""

CONTROLS: Final = (*LIMIT_CONTROLS, "power_limit", "load_line")
"""Every way to adjust a chip."""

FORMS: Final = ("laptop", "desktop", "mini", "handheld", "other")
"""Forms of machines."""

LOADS: Final = (
    "all_core",
    "cpu_gpu_mix",
    "gpu_only",
    "idle_resume",
    "light_bursts",
    "memory_heavy",
    "vector_heavy",
)

FAILURES: Final = (
    "app_crash",
    "artefact",
    "boot_failure",
    "clock_not_reached",
    "clock_stretch",
    "corrected_machine_check",
    "driver_reset",
    "os_panic",
    "performance_drop",
    "resume_failure",
    "system_hang",
    "system_reset",
    "wrong_result",
)

EFFECTS: Final = ("read_back", "rail_voltage", "less_power", "more_clock", "failed_deeper")

Grade = Literal["short", "quick", "long", "in_use_30_days"]
GRADES: Final[tuple[Grade, ...]] = ("short", "quick", "long", "in_use_30_days")
"""Weakest first."""

PROTECTIONS: Final = (
    "virtualization",
    "hypervisor",
    "memory_integrity",
    "kernel_lockdown",
    "voltage_write_protection",
)
SWITCHES: Final = ("on", "off", "unknown")
"""What a protection is told to be."""

PLATFORM_PROFILES: Final = ("quiet", "balanced", "performance", "other")
COOLING: Final = ("stock", "repasted", "pad", "liquid", "cleaned")
SUPPLIES: Final = ("mains", "battery")

OPEN_STATUSES: Final = ("open", "firmware_only")
LOCKED_STATUSES: Final = (
    "chip_locked",
    "firmware_locked",
    "hypervisor_blocked",
    "os_blocked",
    "not_exposed",
)
LOCK_STATUSES: Final = (*OPEN_STATUSES, *LOCKED_STATUSES, "unknown")
LOCKS_FOUND_BY: Final = ("written_and_read_back", "documented", "owner_says")
LOCK_CHANGES: Final = (
    "firmware_setting",
    "protection_off",
    "older_firmware",
    "older_microcode",
    "os_setting",
    "driver_setting",
)
"""What was changed to open a control: history, never a recommendation."""

OUTCOMES: Final = ("stable", "failed")
READING_STATES: Final = ("stock", "tuned")
POWER_SCOPES: Final = ("package", "core", "board", "wall")
CLOCK_KINDS: Final = ("effective", "requested")
FANS: Final = ("auto", "fixed")
PERFORMANCE_UNITS: Final = ("frames_per_s", "jobs_per_h", "s_per_job", "iterations_per_s", "other")
THROTTLE_REASONS: Final = (
    "thermal",
    "long_term_power",
    "short_term_power",
    "current",
    "regulator_thermal",
    "external_hot",
    "board",
    "other",
)

FOLLOW_UP_OUTCOMES: Final = (
    "still_stable",
    "failed_later",
    "locked_later",
    "fails_at_stock_too",
    "given_up",
    "machine_gone",
)
FOLLOW_UP_CHANGES: Final = ("firmware", "microcode", "driver", "os", "season", "cooling")

SCOPES: Final = ("submit", "submit_for_members", "curate", "admin")
"""What an access key may open."""

DECISIONS: Final = ("include", "exclude", "invalidate", "undo")
"""What a curator can say of a setting; undo gives it back to the rules."""
STANDING_DECISIONS: Final = DECISIONS[:-1]
"""The words that stand above the rules until they are undone."""
DECISION_REASONS: Final = (
    "effect_confirmed",
    "depth_confirmed",
    "rule_does_not_fit",
    "effect_doubted",
    "testing_doubted",
    "machine_doubted",
    "unlike_other_results",
    "wrong_units",
    "wrong_chip",
    "not_measured",
    "script_error",
    "decided_in_error",
    "rules_apply",
)
