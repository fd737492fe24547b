"""A document that uses every part of the wire format, of the invented Tidewater Bench Club."""

from copy import deepcopy
from typing import Any

_TUNED = {"domain": "core", "control": "voltage_offset", "value": -82}
_WHOLE: dict[str, Any] = {
    "chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
    "chip_ids": {"stepping": 10},
    "unit_token": "k3v9-demo-unit-000017",
    "contributor_token": "demo-contributor-0004",
    "platform": {
        "machine": "harbour-15",
        "form": "laptop",
        "firmware": "1.14",
        "firmware_month": "2026-03",
        "microcode": "0x2b",
        "driver": "31.0.15",
        "os": "linux-6",
        "platform_profile": "balanced",
        "cooling": ["repasted", "cleaned"],
        "supply": "mains",
        "adapter_w": 180,
        "memory_integrity": "unknown",
        "hypervisor": "off",
    },
    "stock_passed": [{"load": "vector_heavy", "minutes": 20}],
    "locks": [
        {
            "domain": "core",
            "control": "voltage_offset",
            "status": "open",
            "found_by": "written_and_read_back",
            "changes": [],
        }
    ],
    "settings": [
        {
            "domain": "core",
            "control": "voltage_offset",
            "first_tried": -40,
            "stable_at": -82,
            "unstable_at": -88,
            "planned_end": None,
            "failure": "wrong_result",
            "in_use": -74,
            "read_back": -82.03,
            "effect": {"shown_by": "read_back"},
            "loads": ["all_core", "vector_heavy"],
            "minutes": 65,
            "checked_results": True,
            "moved_with": ["ring"],
        }
    ],
    "trials": [
        {
            "settings": [_TUNED, {**_TUNED, "domain": "ring"}],
            "load": "vector_heavy",
            "seconds": 2700,
            "outcome": "stable",
            "checked_results": True,
        }
    ],
    "power": {
        "long_term_w": 52,
        "long_term_window_s": 28,
        "short_term_w": 70,
        "stock_long_term_w": 60,
    },
    "readings": [
        {
            "state": state,
            "load": "vector_heavy",
            "runs": 3,
            "minutes": 25,
            "power_w": 60.0,
            "power_scope": "package",
            "clock_mhz": clock,
            "clock_kind": "effective",
            "temp_avg_c": 84,
            "ambient_c": 22,
            "fan": "fixed",
            "performance": performance,
            "performance_unit": "jobs_per_h",
            "throttle_reasons": ["long_term_power"],
        }
        for state, clock, performance in (("stock", 2710, 41.2), ("tuned", 2930, 44.6))
    ],
    "measured_in": "2026-09",
    "client": "bench-script/0.3",
}


def a_whole_document(**changes: Any) -> dict[str, Any]:
    """Every part of the wire format, with these fields of the document changed."""
    return {**deepcopy(_WHOLE), **changes}
