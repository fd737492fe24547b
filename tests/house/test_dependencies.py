"""What is imported is declared, what is declared is locked, and what is installed is the lock."""

import ast
import re
import sys
from collections.abc import Iterable, Iterator
from importlib.metadata import PackageNotFoundError, distribution, packages_distributions

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.house.write_constraints import HEAD, LOCK, MARKERS, PROJECT, PYTHONS, ROOT, locked

EXTRAS = PROJECT["project"]["optional-dependencies"]
DECLARED = PROJECT["project"]["dependencies"]
OURS = {"kbapi", "tests"}
CI = ROOT / ".ci" / "run"


def names_in(requirements: Iterable[str]) -> set[str]:
    return {canonicalize_name(Requirement(text).name) for text in requirements}


def imported_by(*folders: str) -> set[str]:
    """The distributions whose modules the files import, by their canonical names."""
    files = [path for folder in folders for path in (ROOT / folder).rglob("*.py")]
    assert len(files) > len(folders)
    modules = {name for path in files for name in modules_of(ast.parse(path.read_text()))}
    makers = packages_distributions()
    return {
        canonicalize_name(maker)
        for module in modules - OURS - sys.stdlib_module_names
        for maker in makers.get(module, [module])
    }


def modules_of(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            assert node.module is not None
            yield node.module.partition(".")[0]


def installed_for(requirement: Requirement, known: dict[str, str]) -> None:
    """Add the version of what fulfils it, and of all that this needs in turn."""
    name = canonicalize_name(requirement.name)
    try:
        found = distribution(name)
    except PackageNotFoundError:
        known[name] = "not installed"
        return
    before = known.get(name)
    known[name] = found.version
    if before is not None and not requirement.extras:
        return
    for text in found.requires or ():
        needed = Requirement(text)
        if needed.marker is None or any(
            needed.marker.evaluate({"extra": extra}) for extra in ("", *requirement.extras)
        ):
            installed_for(needed, known)


def test_the_package_declares_what_it_imports() -> None:
    found = imported_by("kbapi", "migrations")
    # Only an instance on PostgreSQL imports its driver.
    of_extra = {"psycopg"}
    assert found - of_extra == names_in(DECLARED)
    assert of_extra <= names_in(EXTRAS["postgres"])


def test_the_tests_declare_what_they_import() -> None:
    known = names_in([*DECLARED, *EXTRAS["dev"], *EXTRAS["postgres"], *EXTRAS["peers"]])
    assert imported_by("tests") - known == set()


def test_what_is_declared_is_locked_in_its_range() -> None:
    lock = locked()
    extras = [*EXTRAS["dev"], *EXTRAS["postgres"], *EXTRAS["redis"]]
    declared = [*DECLARED, *extras, *PROJECT["build-system"]["requires"]]
    assert names_in(declared) - set(lock) == OURS & names_in(declared), "renew the lock"
    for requirement in map(Requirement, declared):
        name = canonicalize_name(requirement.name)
        if name not in OURS:
            assert lock[name] in requirement.specifier, "renew the lock"


def test_what_is_installed_is_what_is_locked() -> None:
    installed: dict[str, str] = {}
    installed_for(Requirement("kbapi[dev]"), installed)
    assert installed.pop("kbapi") == PROJECT["project"]["version"]
    lock = locked()
    others = {name: found for name, found in installed.items() if lock.get(name) != found}
    assert others == {}, "install what is locked: the README's command for the tests"
    assert set(lock) >= set(installed)


def test_the_lock_holds_versions_and_nothing_else() -> None:
    lines = LOCK.read_text().removeprefix(HEAD).splitlines()
    pairs = [re.fullmatch(r"([a-z0-9-]+)==[a-z0-9.]+(;.*)?", line) for line in lines]
    assert [line for line, pair in zip(lines, pairs, strict=True) if pair is None] == []
    assert lines == sorted(set(lines), key=lambda line: line.split("=="))
    marked = {pair[1]: pair[2] for pair in pairs if pair is not None and pair[2] is not None}
    assert marked == MARKERS, "a distribution is locked for the platforms that declare it"


def test_ci_tries_each_python_that_is_named() -> None:
    (tried,) = re.findall(r"^for version in (.*); do$", CI.read_text(), re.MULTILINE)
    assert tried.split() == ["{}.{}".format(*python) for python in PYTHONS]


def test_the_oldest_python_is_the_same_in_every_file() -> None:
    oldest = ".".join(map(str, PYTHONS[0]))
    assert PROJECT["project"]["requires-python"] == f">={oldest}"
    assert PROJECT["tool"]["mypy"]["python_version"] == oldest
    assert PROJECT["tool"]["ruff"]["target-version"] == "py" + oldest.replace(".", "")
