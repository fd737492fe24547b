"""The levels of the package: an import that goes up is an error."""

import ast
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "kbapi"

# From the top level down; parts of one level do not import each other.
LEVELS = (
    ("cli",),
    ("demo",),
    ("server",),
    ("wsgi",),
    ("app",),
    ("pages",),
    ("api",),
    ("curation",),
    ("access",),
    ("intake", "advice"),
    ("instance",),
    ("evidence",),
    ("storage",),
    ("telemetry",),
    ("documents",),
    ("chips",),
    ("stats",),
    ("bounds", "time_budget"),
    ("errors", "settings", "clock", "logs", "metrics", "vocabulary", "versions", "client"),
)
LEVEL_OF = {part: height for height, parts in enumerate(reversed(LEVELS)) for part in parts}


def part_of(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0].removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
            if node.module == "kbapi":
                names = [f"kbapi.{alias.name}" for alias in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("kbapi.")}
    return found


def goes_up(part: str, imported: str) -> bool:
    if part == imported:
        return False
    return LEVEL_OF[imported] >= LEVEL_OF[part]


def test_imports_only_go_down() -> None:
    wrong = [
        f"{path.relative_to(PACKAGE)} imports {imported}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if part_of(path) != "__init__"
        for imported in sorted(imports_of(path))
        if imported != "__version__" and goes_up(part_of(path), imported)
    ]
    assert wrong == []


def test_every_part_of_the_package_has_a_level() -> None:
    parts = {part_of(path) for path in PACKAGE.rglob("*.py")} - {"__init__"}
    assert parts == set(LEVEL_OF)


def test_the_pure_folders_import_no_http_database_clock_or_random_numbers() -> None:
    forbidden = {"flask", "sqlalchemy", "sqlmodel", "random", "time", "datetime", "os", "socket"}
    for folder in ("chips", "stats"):
        for path in (PACKAGE / folder).rglob("*.py"):
            names = set()
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Import):
                    names |= {alias.name.split(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    names.add(node.module.split(".")[0])
            assert not names & forbidden, path


def test_the_demo_club_is_drawn_with_the_given_rng() -> None:
    forbidden = {"flask", "sqlalchemy", "sqlmodel", "time", "datetime", "os", "socket"}
    for path in (PACKAGE / "demo").rglob("*.py"):
        tree = ast.parse(path.read_text())
        imported = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        assert not any(
            isinstance(node, ast.Import) and node.names[0].name == "random"
            for node in ast.walk(tree)
        ), path
        assert not {node.module for node in imported} & forbidden, path
        calls = {
            node.func.id
            for node in ast.walk(tree)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert "Random" not in calls, path


def test_sql_stays_in_the_storage_folder() -> None:
    found = {}
    for path in PACKAGE.rglob("*.py"):
        if part_of(path) == "storage":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sqlalchemy"):
                # A connection is passed on; only storage uses it.
                names = {alias.name for alias in node.names} - {"Connection"}
                if names:
                    found[str(path)] = names
            if isinstance(node, ast.Attribute) and node.attr in ("execute", "exec_driver_sql"):
                found[str(path)] = {node.attr}
    assert found == {}


def test_the_readme_of_each_pure_folder_states_its_law() -> None:
    for folder in ("chips", "stats", "demo"):
        assert "law" in (PACKAGE / folder / "README.md").read_text()
