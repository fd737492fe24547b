"""`python -m tests.house.write_openapi` writes openapi/openapi.json from the code."""

import json
import tempfile
from pathlib import Path
from typing import Any

from kbapi.api.openapi import openapi_document
from kbapi.app import create_app
from kbapi.instance.instance import create_or_open_instance
from kbapi.settings import Settings

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"


def generated() -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        instance = create_or_open_instance(Settings(home=Path(folder) / "home"))
        document = openapi_document(create_app(instance).extensions["kbapi_document"])
        instance.close()
    return document


def as_text(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=2, sort_keys=True) + "\n"


if __name__ == "__main__":
    COMMITTED.write_text(as_text(generated()))
