"""`python -m tests.house.count_code` prints how large and how scattered the package is.

Traced requests are counted in the process of a test client: a file counts when one of its
functions is called, by whichever thread.
"""

import ast
import re
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Final

from flask.testing import FlaskClient

from kbapi.app import create_app
from tests.makers import CHIP, a_setting, a_submission, an_instance

ROOT: Final = Path(__file__).parents[2]
PACKAGE: Final = ROOT / "kbapi"
LONGEST_FUNCTION_LINES: Final = 40
_SQL: Final = re.compile(
    r"\s*(SELECT\s|INSERT\s+(OR\s+\w+\s+)?INTO\s|UPDATE\s+\S+\s+SET\s|DELETE\s+FROM\s"
    r"|REPLACE\s+INTO\s|WITH\s+(RECURSIVE\s+)?\w+(\s*\(.*?\))?\s+AS\s)"
)


@dataclass(frozen=True, slots=True)
class Count:
    """One number of the table, and the most that it may be."""

    what: str
    value: int
    most: int
    where: tuple[str, ...] = ()
    """The largest contributions to the number."""


def files() -> list[Path]:
    """Every Python file of the package."""
    return sorted(PACKAGE.rglob("*.py"))


def relative(file: Path) -> str:
    """The path of a file within the package."""
    return str(file.relative_to(PACKAGE))


def imports_of(file: Path) -> set[Path]:
    """The files of the package that a file imports, at its head or within a function."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            parent = ROOT.joinpath(*node.module.split("."))
            names = [parent / f"{alias.name}.py" for alias in node.names]
            found |= {name for name in names if name.exists()} or {parent.with_suffix(".py")}
        elif isinstance(node, ast.Import):
            found |= {ROOT.joinpath(*a.name.split(".")).with_suffix(".py") for a in node.names}
    return {path for path in found if path.exists() and PACKAGE in path.parents} - {file}


def with_one_importer() -> list[str]:
    """Files that exactly one other file of the package imports."""
    importers: dict[Path, set[Path]] = {}
    for file in files():
        for imported in imports_of(file):
            importers.setdefault(imported, set()).add(file)
    return sorted(relative(file) for file, by in importers.items() if len(by) == 1)


def files_by_folder() -> dict[str, int]:
    """How many Python files lie in each folder."""
    folders = sorted({file.parent for file in files()})
    return {relative(folder): len(list(folder.glob("*.py"))) for folder in folders}


def long_functions() -> list[str]:
    """Functions of more than 40 lines, their docstring counted."""
    return [
        f"{relative(file)}:{node.name}"
        for file in files()
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.end_lineno or 0) - node.lineno + 1 > LONGEST_FUNCTION_LINES
    ]


def sql_strings() -> list[str]:
    """Places of strings that are SQL statements."""
    return [
        f"{relative(file)}:{node.lineno}"
        for file in files()
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and _SQL.match(node.value)
    ]


def occurrences_of(word: str) -> list[str]:
    """Places of a whole word, in code, comments and texts."""
    return [
        f"{relative(file)}:{number}"
        for file in files()
        for number, line in enumerate(file.read_text().splitlines(), 1)
        for _ in re.findall(rf"\b{word}\b", line, re.IGNORECASE)
    ]


def files_entered(call: Callable[[], Any]) -> set[str]:
    """The files of the package in which a function is called, by this or another thread."""
    entered: set[str] = set()

    def note(frame: FrameType, event: str, _argument: Any) -> None:
        if event == "call" and frame.f_code.co_name != "<module>":
            entered.add(frame.f_code.co_filename)

    threading.setprofile(note)
    sys.setprofile(note)
    try:
        call()
    finally:
        sys.setprofile(None)
        threading.setprofile(None)  # type: ignore[arg-type]
    return {relative(Path(name)) for name in entered if name.startswith(str(PACKAGE))}


def traced_requests() -> tuple[set[str], set[str]]:
    """The files that a stored result enters, and those that a computed start enters."""
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        client = create_app(instance).test_client()
        for number in range(70):
            _send(client, number)
        _ask(client)
        posted = files_entered(lambda: _send(client, 70))
        # The stored answer is out of date now: this one is computed.
        asked = files_entered(lambda: _ask(client))
        instance.close()
    return posted, asked


def _send(client: FlaskClient, number: int) -> None:
    setting = a_setting(stable_at=-80 - number % 7, unstable_at=-90 - number % 5)
    document = a_submission(setting, number=number)
    assert client.post("/v1/submissions", json=document).status_code == 201


def _ask(client: FlaskClient) -> None:
    answer = client.get(f"/v1/start?chip={CHIP}&domain=core&control=voltage_offset")
    assert answer.get_json()["start"] is not None


def counts() -> Iterator[Count]:
    """Every count with its bound."""
    every = files()
    yield Count("files in kbapi/", len(every), 287)
    alone = with_one_importer()
    yield Count("files with one importer", len(alone), 40, tuple(alone))
    folder, most = max(files_by_folder().items(), key=lambda item: item[1])
    yield Count("files in one folder", most, 25, (folder,))
    posted, asked = traced_requests()
    yield Count("files entered by POST /v1/submissions", len(posted), 33, tuple(sorted(posted)))
    yield Count("files entered by a computed GET /v1/start", len(asked), 48, tuple(sorted(asked)))
    long = long_functions()
    yield Count("functions over 40 lines", len(long), 0, tuple(long))
    places = occurrences_of("told")
    yield Count("occurrences of 'told'", len(places), 19, tuple(places))
    # What only one database understands stands beside its connections.
    of_one = ("storage/sqlite/", "storage/postgres/")
    statements = [place for place in sql_strings() if not place.startswith(of_one)]
    yield Count("SQL strings, connections aside", len(statements), 26, tuple(statements))
    hot = {place.rpartition(":")[0] for place in statements}
    yield Count("files with SQL strings, connections aside", len(hot), 8, tuple(sorted(hot)))


def main() -> None:
    """Print the table; with `--where`, also where each number comes from."""
    for count in counts():
        mark = "" if count.value <= count.most else "  <- too many"
        print(f"{count.what:<50} {count.value:>5}  (at most {count.most}){mark}")
        if "--where" in sys.argv:
            print("\n".join(f"    {place}" for place in count.where))


if __name__ == "__main__":
    main()
