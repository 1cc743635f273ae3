"""What the docstrings promise: examples that run, sources, and the errors."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil

import pytest

from trialog import reliability

MODULES = [
    importlib.import_module(f"trialog.reliability.{found.name}")
    for found in pkgutil.iter_modules(reliability.__path__)
]
FUNCTIONS = [
    getattr(reliability, name)
    for name in reliability.__all__
    if inspect.isfunction(getattr(reliability, name))
]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_examples_run(module):
    assert doctest.testmod(module).failed == 0


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda function: function.__name__)
def test_every_public_function_states_range_errors_source_and_example(function):
    text = inspect.getdoc(function)
    for heading in ("Parameters", "Returns", "Raises", "References", "Examples"):
        assert f"{heading}\n{'-' * len(heading)}" in text


def test_public_names_exist_once():
    assert len(set(reliability.__all__)) == len(reliability.__all__)
    assert all(hasattr(reliability, name) for name in reliability.__all__)
