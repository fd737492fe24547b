"""Every route, setting, command, rule, error code and table stands where a reader looks for it."""

import json
import re
from pathlib import Path

import click
import pytest
from flask import Flask
from openapi_spec_validator import validate

from kbapi import errors
from kbapi.access.keys import SCOPES
from kbapi.cli.main import main
from kbapi.intake.decided import DECISION_SENTENCES
from kbapi.intake.readings import READING_RULES
from kbapi.intake.refusals import DOCUMENT_REFUSALS, REFUSALS
from kbapi.intake.screening import LATER_REMARKS, SCREENING_RULES
from kbapi.storage.tables import SQLModel
from tests.house import write_settings
from tests.house.write_openapi import COMMITTED, as_text, generated

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def commands(group: click.Group, prefix: str = "kbapi") -> list[str]:
    found = []
    for name, command in group.commands.items():
        full = f"{prefix} {name}"
        found += commands(command, full) if isinstance(command, click.Group) else [full]
    return found


@pytest.fixture(scope="module")
def document() -> dict[str, object]:
    return generated()


def test_the_committed_openapi_document_is_what_the_code_generates(
    document: dict[str, object],
) -> None:
    assert COMMITTED.read_text() == as_text(document), (
        "run python -m tests.house.write_openapi and look at the difference"
    )


def test_the_openapi_document_is_valid(document: dict[str, object]) -> None:
    validate(document)


def test_every_operation_documents_its_problems_as_problem_json(
    document: dict[str, object],
) -> None:
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if method == "parameters":
                continue
            for status, answer in operation["responses"].items():
                if int(status) >= 400:
                    assert list(answer["content"]) == ["application/problem+json"], (path, status)


@pytest.mark.parametrize("name", json.loads(COMMITTED.read_text())["components"]["schemas"])
def test_every_property_of_a_schema_is_described(document: dict[str, object], name: str) -> None:
    fields = document["components"]["schemas"][name].get("properties", {})
    assert [field for field, shape in fields.items() if not shape.get("description")] == []


def test_every_field_of_a_submission_has_a_description_and_an_example(
    document: dict[str, object],
) -> None:
    schemas = document["components"]["schemas"]
    parts = ("Submission", "Setting", "StockPass", "Effect", "ChipIds", "Platform", "Lock")
    for name in (
        *parts,
        "Trial",
        "SettingInForce",
        "Power",
        "Reading",
        "FollowUp",
        "Decision",
        "Origin",
        "NextStepRequest",
        "DiagnosisRequest",
    ):
        for field, shape in schemas[name]["properties"].items():
            assert shape.get("description"), (name, field)
            nested = "$ref" in str(shape)
            assert nested or "example" in shape, (name, field)


@pytest.mark.parametrize("command", commands(main))
def test_every_command_stands_in_the_readme(command: str) -> None:
    assert f"`{command}" in README


def test_the_table_of_settings_is_what_the_class_says() -> None:
    assert write_settings.generated() in README, (
        "run python -m tests.house.write_settings and look at the difference"
    )


def test_every_name_that_is_watched_stands_in_the_readme(app: Flask) -> None:
    told = app.test_client().get("/metrics").get_data(as_text=True)
    names = re.findall(r"^# TYPE (\w+)", told, re.MULTILINE)
    assert len(names) > 10
    assert [name for name in names if f"`{name}`" not in README] == []


@pytest.mark.parametrize("scope", SCOPES)
def test_every_scope_stands_in_the_readme(scope: str) -> None:
    assert f"| `{scope}` |" in README


def test_every_route_stands_in_the_readme(app: Flask) -> None:
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<[^>]*:?submission_id>", "{id}", rule.rule)
        path = re.sub(r"<(?:[^>]*:)?(code|chip|ordinal)>", r"{\1}", path)
        if rule.endpoint != "pages.static":
            assert f"`{path}`" in README, path


@pytest.mark.parametrize(
    "rule",
    [*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES, *READING_RULES],
    ids=lambda rule: rule.code,
)
def test_every_rule_stands_in_the_readme(rule: object) -> None:
    assert f"`{rule.code}`" in README


@pytest.mark.parametrize("code", LATER_REMARKS)
def test_every_later_remark_stands_in_the_readme(code: str) -> None:
    assert f"`{code}`" in README


@pytest.mark.parametrize("code", DECISION_SENTENCES)
def test_every_word_and_reason_of_curators_stands_in_the_readme(code: str) -> None:
    assert f"`{code}`" in README


@pytest.mark.parametrize("table", [table.name for table in SQLModel.metadata.sorted_tables])
def test_every_table_stands_in_the_developers_guide(table: str) -> None:
    assert f"`{table}`" in DEVELOPERS


def test_every_error_code_stands_in_the_developers_guide() -> None:
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, errors.KbapiError):
            assert kind.code == "error" or f"`{kind.code}`" in DEVELOPERS, kind.code


def test_every_folder_of_the_package_stands_in_the_picture_of_the_house() -> None:
    for folder in (ROOT / "kbapi").iterdir():
        if folder.is_dir() and (folder / "__init__.py").exists():
            assert f"{folder.name}/" in DEVELOPERS, folder.name


def test_every_file_that_the_developers_guide_names_exists() -> None:
    named = set(
        re.findall(
            r"`((?:kbapi/|tests/|seed_data/)?[a-z_]+(?:/[a-z_.]+)*\.(?:py|toml))`", DEVELOPERS
        )
    )
    missing = [
        name
        for name in sorted(named)
        if not any((ROOT / base / name).exists() for base in ("", "kbapi", "tests", "seed_data"))
        and not list((ROOT / "kbapi").rglob(Path(name).name))
    ]
    assert len(named) > 10
    assert missing == []
