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

Grade = Literal["short", "quick", "session", "lasting"]
GRADES: Final[tuple[Grade, ...]] = ("short", "quick", "session", "lasting")
"""Weakest first."""
