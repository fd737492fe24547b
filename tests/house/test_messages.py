"""Texts for people are short sentences in plain technical English."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click
import pytest

from kbapi import errors
from kbapi.cli.main import main
from kbapi.documents.readings import READING_RULES
from kbapi.documents.refusal_rules import DOCUMENT_REFUSALS, REFUSALS
from kbapi.errors import FAULTS, KbapiError
from kbapi.intake.decision_reasons import DECISION_SENTENCES
from kbapi.intake.follow_up_rules import SENTENCES
from kbapi.intake.responses import OUTLIER_SENTENCES
from kbapi.intake.screening import LATER_REMARKS, SCREENING_RULES
from kbapi.settings import Settings
from kbapi.vocabulary import SCOPES
from tests.cli.command import commands_of
from tests.house.write_openapi import generated

ROOT: Final = Path(__file__).parents[2]
OWN_RUNS: Final = ROOT / "kbapi" / "evidence" / "own_runs.py"
MOST_WORDS: Final = 25
# Words of a private dialect, and people who do not exist: a reader has to guess what they mean.
DIALECT: Final = re.compile(
    r"\b(?:somebody|nobody|everybody|anybody|whoever|strangers?|told|untold|tells|"
    r"heard|hears|speaks?|stands?|leans?|set aside|claimed|claims|supposed|"
    r"judge[ds]?|judging|judgement|believed?|verdicts?|fences?|doors?|hurr(?:y|ied)|houses?|"
    r"rooms?|roads?|dice|anew|no more|any more|can't be|settle)\b|\b(?:his|her|your) word\b",
    re.IGNORECASE,
)
# No reader sees SQL.
SQL: Final = re.compile(
    r"\b(?:SELECT|CREATE|INSERT|UPDATE|DELETE|PRAGMA|WHERE|JOIN|BETWEEN|IS NULL)\b"
)


def faults_of(text: str) -> list[str]:
    """What is wrong with a text: a sentence that is too long, or a word of the dialect."""
    sentences = re.split(r"(?<=[.!?])\s+|\n\n", text)
    long = [one for one in sentences if len(one.split()) > MOST_WORDS]
    return long + [found.group() for found in DIALECT.finditer(text)]


def of_rules() -> Iterator[tuple[str, str]]:
    for rule in (*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES, *READING_RULES):
        yield rule.code, rule.sentence
    yield from (FAULTS | LATER_REMARKS | OUTLIER_SENTENCES | SENTENCES | DECISION_SENTENCES).items()


def of_errors() -> Iterator[tuple[str, str]]:
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, KbapiError):
            yield f"{kind.code} title", kind.title
            yield f"{kind.code} explanation", kind.explanation


def of_commands(command: click.Command = main, path: str = "kbapi") -> Iterator[tuple[str, str]]:
    yield path, " ".join((command.help or "").split())
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{path} {parameter.opts[0]} has no help"
            yield f"{path} {parameter.opts[0]}", parameter.help
    if isinstance(command, click.Group):
        for name, inner in commands_of(command).items():
            yield from of_commands(inner, f"{path} {name}")


def of_settings() -> Iterator[tuple[str, str]]:
    for name, field in Settings.model_fields.items():
        yield name, field.description or ""
    yield from SCOPES.items()


def of_document() -> Iterator[tuple[str, str]]:
    """Every summary and description of the API document: operations, parameters, properties."""
    return _described(generated(), "")


def _described(part: Any, place: str) -> Iterator[tuple[str, str]]:
    if isinstance(part, dict):
        for name, inner in part.items():
            if name in ("summary", "description") and isinstance(inner, str):
                yield f"{place}/{name}", inner
            else:
                yield from _described(inner, f"{place}/{name}")
    elif isinstance(part, list):
        for number, inner in enumerate(part):
            yield from _described(inner, f"{place}/{number}")


def of_messages() -> Iterator[tuple[str, str]]:
    """Every text in the code of these folders that has three words or more and is no docstring."""
    for folder in (
        "access",
        "api",
        "cli",
        "curation",
        "demo",
        "documents",
        "instance",
        "intake",
        "metrics",
        "server",
        "storage",
    ):
        for file in sorted((ROOT / "kbapi" / folder).rglob("*.py")):
            yield from _of_file(file)
    # The messages about questions that come as a body.
    for file in (*sorted((ROOT / "kbapi" / "advice").glob("*/query.py")), OWN_RUNS):
        yield from _of_file(file)


def _of_file(file: Path) -> Iterator[tuple[str, str]]:
    tree = ast.parse(file.read_text())
    quiet = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            quiet |= {id(part) for part in node.values}
            parts = [part.value if isinstance(part, ast.Constant) else "x" for part in node.values]
            text = "".join(map(str, parts))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if id(node) not in quiet and len(text.split()) >= 3 and not SQL.search(text):
            yield f"{file.relative_to(ROOT)}:{node.lineno}", text


@pytest.mark.parametrize(
    "texts", [of_rules, of_errors, of_commands, of_settings, of_document, of_messages]
)
def test_every_text_is_made_of_short_plain_sentences(texts: Any) -> None:
    found = list(texts())
    assert len(found) > 10
    assert all(text.strip() for _, text in found)
    assert {place: wrong for place, text in found if (wrong := faults_of(text))} == {}


@pytest.mark.parametrize(
    "text",
    [
        "Somebody has looked at it.",
        "It was set aside.",
        "The rules stand above it.",
        "One two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen "
        "sixteen seventeen eighteen nineteen twenty and five more words make it too long.",
    ],
)
def test_dialect_and_long_sentences_are_found(text: str) -> None:
    assert faults_of(text)


def test_summaries_of_commands_are_not_cut_in_the_list() -> None:
    for group in (main, *commands_of(main).values()):
        if isinstance(group, click.Group):
            inside = commands_of(group)
            for name, command in inside.items():
                room = 80 - 4 - max(map(len, inside))
                assert not command.get_short_help_str(room).endswith("..."), name
