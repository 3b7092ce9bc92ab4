"""The API reference is in the docstrings: all that is public has one, and the central functions are shown at work."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
LAYERS = ("daq", "analysis", "dashboard")
MODULES = sorted(path for layer in LAYERS for path in (ROOT / layer).rglob("*.py"))
SHOWN = (  # pure functions that others build on: each of them is used in an example
    "daq.checksum",
    "daq.cold_junction",
    "daq.merge",
    "daq.mixture",
    "daq.thermocouple",
    "daq.tolerance",
    "analysis.slope",
    "analysis.uncertainty",
)
SHOWN_TOO = (
    ("analysis.findings", "judge"),
    ("analysis.findings", "steady_finding"),
    ("analysis.trims", "solve_step"),
)


def without_docstring(source: str) -> Iterator[str]:
    """Names of what is public in `source` and says nothing of itself; functions within functions are nobody's API."""

    def look(body: list[ast.stmt], before: str) -> Iterator[str]:
        for node in body:
            if not isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            if node.name.startswith("_"):
                continue
            if not ast.get_docstring(node):
                yield f"{before}{node.name}"
            if isinstance(node, ast.ClassDef):
                yield from look(node.body, f"{before}{node.name}.")

    tree = ast.parse(source)
    if tree.body and not ast.get_docstring(tree):
        yield "the module"
    yield from look(tree.body, "")


def test_a_missing_docstring_is_noticed() -> None:
    source = (
        "class A:\n  def f(self): pass\n  def _g(self): pass\nasync def h():\n  'x'\n  def inner(): pass\n"
    )
    assert list(without_docstring(source)) == ["the module", "A", "A.f"]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_everything_public_says_what_it_is(path: Path) -> None:
    assert list(without_docstring(path.read_text(encoding="utf-8"))) == []


def examples(module_name: str) -> str:
    """What the examples of a module type."""
    found = doctest.DocTestFinder().find(importlib.import_module(module_name))
    return "".join(example.source for test in found for example in test.examples)


def public_functions(module_name: str) -> list[str]:
    module = importlib.import_module(module_name)
    found = inspect.getmembers(module, inspect.isfunction)
    return [name for name, f in found if f.__module__ == module_name and not name.startswith("_")]


@pytest.mark.parametrize(
    ("module", "function"), [*((m, f) for m in SHOWN for f in public_functions(m)), *SHOWN_TOO]
)
def test_a_central_function_is_shown_at_work(module: str, function: str) -> None:
    assert function in public_functions(module)
    assert f"{function}(" in examples(module)


def test_the_examples_are_run_with_the_tests() -> None:
    """By the settings, and by what pytest itself collects."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"][
        "ini_options"
    ]
    assert set(LAYERS) <= set(settings["testpaths"]) and "--doctest-modules" in settings["addopts"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "daq/tolerance.py", "analysis/uncertainty.py"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "daq/tolerance.py::daq.tolerance.tolerance_C" in done.stdout
    assert "analysis/uncertainty.py::analysis.uncertainty.effective_degrees_of_freedom" in done.stdout
