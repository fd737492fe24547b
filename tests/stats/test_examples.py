"""Every example in a docstring of the folder is executed, and every file has one."""

import doctest
import importlib
import pkgutil

import pytest

from kbapi import stats

MODULES = [
    module.name
    for module in pkgutil.walk_packages(stats.__path__, "kbapi.stats.")
    if not module.ispkg
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_run_and_print_the_shown_results(name):
    outcome = doctest.testmod(importlib.import_module(name))
    assert outcome.failed == 0
    assert outcome.attempted > 0
