"""Many documents near the schema against the app in this process: what becomes of them."""

import tempfile
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from tests.bench._near_documents import near_document
from tests.makers import an_instance, rows_of
from tests.report import Row, measured

SEED = 20_260_915
MANY, FEW = 20_000, 500


def measure(*, short: bool) -> list[Row]:
    """The rows of the report."""
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        counts = drive(create_app(instance).test_client(), instance, FEW if short else MANY)
        instance.close()
    total = sum(counts[status] for status in (201, 422, 400, "other"))
    return [
        measured("documents sent", total, "documents", ""),
        measured("stored (201)", counts[201], "documents", ""),
        measured("refused (400, 422)", counts[422] + counts[400], "documents", ""),
        measured("any other status, 5xx among them", counts["other"], "documents", "== 0"),
        measured("refusals without a pointer into the document", counts["lost"], "", "== 0"),
        measured("rows of refused documents, or missing of stored", counts["half"], "", "== 0"),
    ]


def drive(client: FlaskClient, instance: Instance, number: int) -> Counter[Any]:
    """How many documents came to which end, and how many broke a promise."""
    rng = Random(SEED)
    counts: Counter[Any] = Counter()
    settings = 0
    for _ in range(number):
        body, value = near_document(rng)
        answer = client.post("/v1/submissions", data=body, content_type="application/json")
        status = answer.status_code
        counts[status if status in (201, 400, 422) else "other"] += 1
        if status == 422:
            counts["lost"] += not _all_point_into(answer.get_json()["errors"], value)
        if status == 201 and answer.get_json()["duplicate_of"] is None:
            settings += len(answer.get_json()["settings"])
            counts["new"] += 1
    rows = rows_of(instance)
    counts["half"] = abs(len(rows["submission"]) - counts["new"])
    counts["half"] += abs(len(rows["setting_result"]) - settings)
    return counts


def _all_point_into(errors: list[dict[str, Any]], value: Any) -> bool:
    return all(_points_into(error["pointer"], value) for error in errors)


def _points_into(pointer: str, value: Any) -> bool:
    """Whether all but the last part of a pointer is there; the last may be what is missing."""
    parts = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
    for part in parts[:-1]:
        try:
            value = value[int(part)] if isinstance(value, list) else value[part]
        except (KeyError, IndexError, TypeError, ValueError):
            return False
    return True
