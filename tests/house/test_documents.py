"""Every route, setting, command, rule, error code and table is where a reader looks for it."""

import json
import re
from pathlib import Path

import click
import pytest
from flask import Flask
from openapi_spec_validator import validate

from kbapi import errors
from kbapi.access.sessions import session_cookie
from kbapi.api.problems import STATUS_OF
from kbapi.cli.main import main
from kbapi.documents.readings import READING_RULES
from kbapi.documents.refusal_rules import DOCUMENT_REFUSALS, REFUSALS
from kbapi.errors import FAULTS
from kbapi.instance.write_gate import TROUBLE_BEGAN, TROUBLE_ENDED
from kbapi.intake.decision_reasons import DECISION_SENTENCES
from kbapi.intake.follow_up_rules import SENTENCES
from kbapi.intake.responses import OUTLIER_SENTENCES
from kbapi.intake.screening import LATER_REMARKS, SCREENING_RULES
from kbapi.pages.views import GUIDES_FOLDER, INDEX, anchor_of, guide_names
from kbapi.settings import COMMAND_VARIABLES, Settings
from kbapi.storage.schema import METADATA
from kbapi.vocabulary import SCOPES
from tests.cli.command import commands_of
from tests.house import write_readme
from tests.house.texts import (
    ALL_FOR_USERS,
    DEVELOPERS,
    FOR_DEVELOPERS,
    FOR_USERS,
    GUIDES,
    OF_PACKAGES,
    README,
    ROOT,
    quoted_in,
    without_blocks,
)
from tests.house.write_openapi import COMMITTED, as_text, generated


def commands(group: click.Group, prefix: str = "kbapi") -> list[str]:
    found = []
    for name, command in commands_of(group).items():
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
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"`{command}" in README


def test_the_tables_of_the_guides_match_the_code(document: dict[str, object]) -> None:
    schemas = document["components"]["schemas"]
    hint = "run python -m tests.house.write_readme and look at the difference"
    assert write_readme.settings_table() in GUIDES["hosting"], hint
    assert write_readme.fields_text(schemas) in GUIDES["data-format"], hint
    assert write_readme.lists_table(schemas) in GUIDES["data-format"], hint
    assert write_readme.problems_table() in GUIDES["data-format"], hint


def test_every_monitored_name_is_in_its_guide(app: Flask) -> None:
    metrics = app.test_client().get("/metrics").get_data(as_text=True)
    names = re.findall(r"^# TYPE (\w+)", metrics, re.MULTILINE)
    assert len(names) > 10
    assert [name for name in names if f"`{name}`" not in GUIDES["watching"]] == []


@pytest.mark.parametrize("scope", SCOPES)
def test_every_scope_is_in_its_guide(scope: str) -> None:
    assert f"| `{scope}` |" in GUIDES["access"]


def paths_of(app: Flask) -> set[str]:
    """Every path that is served, as texts write it."""
    found = set()
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<[^>]*:?submission_id>", "{id}", rule.rule)
        path = re.sub(r"<(?:[^>]*:)?(code|chip|ending|ordinal|name|number)>", r"{\1}", path)
        if rule.endpoint != "pages.static":
            found.add(path)
    return found


def test_every_route_is_in_the_readme(app: Flask) -> None:
    assert [path for path in sorted(paths_of(app)) if f"`{path}`" not in README] == []


@pytest.mark.parametrize(
    "rule",
    [*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES, *READING_RULES],
    ids=lambda rule: rule.code,
)
def test_every_rule_is_in_the_table_of_its_guide(rule: object) -> None:
    guide = GUIDES["screening"]
    assert f"| `{rule.code}` |" in guide or rule.code == "effect_unproven"
    assert f"`{rule.code}`" in guide


@pytest.mark.parametrize("code", LATER_REMARKS)
def test_every_later_remark_is_in_the_guides(code: str) -> None:
    assert f"`{code}`" in ALL_FOR_USERS


@pytest.mark.parametrize("code", DECISION_SENTENCES)
def test_every_decision_and_reason_of_curators_is_in_its_guide(code: str) -> None:
    assert f"`{code}`" in GUIDES["curation"]


def options_of(group: click.Group) -> dict[str, set[str]]:
    """The options of every command, by its whole name."""
    found: dict[str, set[str]] = {}
    for name in commands(group):
        command: click.Command = group
        for word in name.split()[1:]:
            assert isinstance(command, click.Group)
            command = commands_of(command)[word]
        found[name] = {option for parameter in command.params for option in parameter.opts}
    return found


@pytest.mark.parametrize("place", FOR_USERS)
def test_every_command_that_a_text_names_exists(place: str) -> None:
    known = options_of(main)
    every_option = set().union(*known.values())
    groups = {name.rpartition(" ")[0] for name in known}
    for quoted in quoted_in(FOR_USERS[place]):
        words = quoted.split()
        if words[0] == "kbapi":
            name = next((n for n in (" ".join(words[:3]), " ".join(words[:2])) if n in known), "")
            assert name or quoted in groups, quoted
            allowed = known.get(name, set())
            assert {word for word in words if word.startswith("--")} <= allowed, quoted
        elif words[0].startswith("--"):
            assert words[0] in every_option, quoted


@pytest.mark.parametrize("place", FOR_USERS)
def test_every_setting_that_a_text_names_exists(place: str) -> None:
    known = {f"KBAPI_{name.upper()}" for name in (*Settings.model_fields, *COMMAND_VARIABLES)}
    named = set(re.findall(r"\bKBAPI_[A-Z_]+\b", FOR_USERS[place]))
    assert named - known == set()


@pytest.mark.parametrize("place", FOR_USERS)
def test_every_endpoint_that_a_text_names_exists(place: str, app: Flask) -> None:
    served = paths_of(app) | {"/guides"}
    named = {
        word.partition("?")[0]
        for quoted in quoted_in(FOR_USERS[place])
        for word in quoted.split()
        if re.match(
            r"/(?:v1|health|metrics|docs|guides|problems|openapi|submit|my-submissions|compare|sign-in)\b",
            word,
        )
    }
    assert named - served == set()


@pytest.mark.parametrize("place", FOR_USERS)
def test_every_name_of_the_wire_that_a_text_names_exists(
    place: str, app: Flask, document: dict[str, object]
) -> None:
    """Names with an underscore are fields, words, rules, codes, metrics: all of the program."""
    watched = app.test_client().get("/metrics").get_data(as_text=True)
    known = set(re.findall(r"[a-z]+(?:_[a-z0-9]+)+", as_text(document) + watched))
    known |= {rule.code for rule in (*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES)}
    known |= {rule.code for rule in READING_RULES}
    known |= {*LATER_REMARKS, *DECISION_SENTENCES, *SENTENCES, *OUTLIER_SENTENCES, *FAULTS, *SCOPES}
    known |= {kind.code for kind in STATUS_OF}
    known |= {TROUBLE_BEGAN, TROUBLE_ENDED, session_cookie(is_secure=False)}
    # Settings of nginx and of PostgreSQL.
    named = {
        name for name in quoted_in(FOR_USERS[place]) if re.fullmatch(r"[a-z0-9]+(_\w+)+", name)
    } - {"limit_conn", "full_page_writes", "synchronous_commit"}
    assert named - known == set()


@pytest.mark.parametrize("place", {**FOR_USERS, **FOR_DEVELOPERS})
def test_every_link_points_to_a_file_and_a_heading(place: str) -> None:
    text = {**FOR_USERS, **FOR_DEVELOPERS}[place]
    folder = (
        GUIDES_FOLDER
        if place in GUIDES
        else ROOT / ("" if place in ("README", "DEVELOPERS") else place)
    )
    for target in re.findall(r"\]\(([^)]+)\)", without_blocks(text)):
        if target.startswith("/"):
            assert target in (*("/client", "/docs", "/problems", "/submit", "/my-submissions"),), (
                target
            )
            continue
        name, _, anchor = target.partition("#")
        path = folder / name
        assert path.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", path.read_text(), re.MULTILINE)
            assert anchor in map(anchor_of, headings), target


def test_the_readme_and_the_index_link_to_every_guide() -> None:
    for name in guide_names():
        assert f"](kbapi/pages/guides/{name}.md)" in README
        assert f"]({name}.md)" in GUIDES[INDEX]


@pytest.mark.parametrize("table", [table.name for table in METADATA.sorted_tables])
def test_every_table_is_in_the_text_of_its_package(table: str) -> None:
    assert f"| `{table}` |" in OF_PACKAGES["kbapi/storage"]


def test_every_error_code_is_in_its_guide() -> None:
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, errors.KbapiError):
            assert kind.code == "error" or f"| `{kind.code}` |" in GUIDES["data-format"], kind.code


def test_every_folder_of_the_package_is_in_the_layout() -> None:
    for folder in (ROOT / "kbapi").iterdir():
        if folder.is_dir() and (folder / "__init__.py").exists():
            assert f"{folder.name}/" in DEVELOPERS, folder.name


@pytest.mark.parametrize("place", FOR_DEVELOPERS)
def test_every_file_that_a_text_for_developers_names_exists(place: str) -> None:
    named = set(
        re.findall(
            r"`((?:kbapi/|tests/|seed_data/)?[a-z_]+(?:/[a-z_.]+)*\.(?:py|toml))`",
            FOR_DEVELOPERS[place],
        )
    )
    missing = [
        name
        for name in sorted(named)
        if not any((ROOT / base / name).exists() for base in ("", "kbapi", "tests", "seed_data"))
        and not list((ROOT / "kbapi").rglob(Path(name).name))
    ]
    assert missing == []


@pytest.mark.parametrize("place", FOR_DEVELOPERS)
def test_every_command_of_tests_that_a_text_names_exists(place: str) -> None:
    for module, name in re.findall(
        r"python -m (tests(?:\.\w+)+)(?: (\w+))?", FOR_DEVELOPERS[place]
    ):
        path = ROOT / module.replace(".", "/")
        assert path.with_suffix(".py").exists() or (path / "__main__.py").exists(), module
        if name and name not in ("NAME", "longer", "screenshots"):
            assert (path / f"{name}.py").exists(), name


def test_the_texts_for_developers_name_files() -> None:
    named = re.findall(r"`[a-z_/]+\.py`", "".join(FOR_DEVELOPERS.values()))
    assert len(set(named)) > 10


def test_the_texts_for_users_name_much_that_can_be_checked() -> None:
    assert sum(len(quoted_in(text)) for text in FOR_USERS.values()) > 100
