"""Documents with readings, as the questions about gains and power limits need them."""

from typing import Any

from flask.testing import FlaskClient

from tests.makers import CHIP, a_setting, a_submission

LOAD = "all_core"


def a_reading(state: str, **changes: Any) -> dict[str, Any]:
    """A reading at a fixed fan; `...` leaves a field out."""
    reading = {
        "state": state,
        "load": LOAD,
        "runs": 3,
        "power_w": 60.0,
        "power_scope": "package",
        "clock_mhz": 2700.0,
        "clock_kind": "effective",
        "temp_avg_c": 84.0,
        "ambient_c": 22.0,
        "fan": "fixed",
        "performance": 40.0,
        "performance_unit": "jobs_per_h",
    }
    return {name: value for name, value in {**reading, **changes}.items() if value is not ...}


def a_measured(number: int, *readings: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A counted result of unit `number` with these readings."""
    return a_submission(a_setting(in_use=-70), number=number, readings=list(readings), **changes)


def post(client: FlaskClient, document: dict[str, Any]) -> dict[str, Any]:
    response = client.post("/v1/submissions", json=document)
    assert response.status_code == 201, response.get_json()
    found: dict[str, Any] = response.get_json()
    return found


def ask(client: FlaskClient, path: str, chip: str = CHIP, **asked: Any) -> dict[str, Any]:
    response = client.get(path, query_string={"chip": chip, **asked})
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer
