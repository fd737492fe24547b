"""Every example in a docstring gives what it shows."""

import doctest
import importlib
import pkgutil
from types import ModuleType

import pytest

import kbapi


def modules_with_examples() -> list[ModuleType]:
    names = [info.name for info in pkgutil.walk_packages(kbapi.__path__, "kbapi.")]
    modules = [importlib.import_module(name) for name in names if ".bundled." not in name]
    finder = doctest.DocTestFinder()
    return [m for m in modules if any(test.examples for test in finder.find(m))]


@pytest.mark.parametrize("module", modules_with_examples(), ids=lambda module: module.__name__)
def test_docstring_examples_of_each_module_pass(module: ModuleType) -> None:
    results = doctest.testmod(module)
    assert results.attempted > 0
    assert results.failed == 0
