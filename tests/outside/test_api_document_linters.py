"""Two linters of OpenAPI documents, with the rules that they recommend: no error, no warning."""

import json
from pathlib import Path
from typing import Any

import pytest

from tests.house.write_openapi import COMMITTED
from tests.outside.node_tools import run_tool


def found_by_redocly(document: Path) -> list[str]:
    ran = run_tool("redocly", "lint", "--extends=recommended", "--format=json", document)
    return [f"{one['ruleId']}: {one['message']}" for one in json.loads(ran.stdout)["problems"]]


def found_by_spectral(document: Path) -> list[str]:
    ran = run_tool(
        "spectral", "lint", "--ruleset=spectral.yaml", "--format=json", "--quiet", document
    )
    return [f"{one['code']}: {one['path']}: {one['message']}" for one in json.loads(ran.stdout)]


LINTERS = [found_by_redocly, found_by_spectral]


@pytest.mark.parametrize("find", LINTERS)
def test_a_linter_finds_nothing(find: Any) -> None:
    assert find(COMMITTED) == []


@pytest.mark.parametrize("find", LINTERS)
def test_a_linter_finds_what_is_missing(find: Any, tmp_path: Path) -> None:
    document = json.loads(COMMITTED.read_text())
    del document["servers"]
    for operation in document["paths"]["/v1/start"].values():
        del operation["operationId"]
    poor = tmp_path / "openapi.json"
    poor.write_text(json.dumps(document))
    found = find(poor)
    assert len(found) == 2
    assert any("servers" in one.lower() for one in found)
    assert any("operationId" in one for one in found)
