"""The house's rules about its own modules, read from the sources: one way of imports, small modules, all importable."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LAYERS = ("daq", "analysis", "dashboard")  # a package may import those before it
PAGES_AND_COMMANDS = {"dash", "plotly", "flask", "click", "rich", "typst", "waitress"}
LONGEST_MODULE = 400
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for layer in LAYERS
    for path in sorted((ROOT / layer).rglob("*.py"))
}


def imported(source: str, module: str) -> set[str]:
    """Top-level names of everything that `source`, the text of `module`, imports anywhere, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(module.partition(".")[0] if node.level else str(node.module).partition(".")[0])
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "import_module":
            found |= {str(a.value).partition(".")[0] for a in node.args if isinstance(a, ast.Constant)}
    return found


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ("import dash", {"dash"}),
        ("import analysis.trims as t, os.path", {"analysis", "os"}),
        ("def f():\n    from dash.dependencies import Input", {"dash"}),
        ("from . import engine", {"daq"}),
        ("if TYPE_CHECKING:\n    from dashboard.live import Live", {"dashboard"}),
        ("importlib.import_module('dashboard.cli')", {"dashboard"}),
    ],
)
def test_no_way_of_importing_is_overlooked(source: str, names: set[str]) -> None:
    assert imported(source, "daq.some_module") == names


def test_all_three_packages_are_looked_at() -> None:
    assert {module.partition(".")[0] for module in MODULES} == set(LAYERS)
    assert len(MODULES) > 40


@pytest.mark.parametrize("module", MODULES)
def test_imports_go_from_dashboard_to_analysis_to_daq(module: str) -> None:
    layer = LAYERS.index(module.partition(".")[0])
    names = imported(MODULES[module].read_text(encoding="utf-8"), module)
    assert names.isdisjoint(LAYERS[layer + 1 :]), "imports upwards"
    assert "tests" not in names
    if LAYERS[layer] != "dashboard":
        assert names.isdisjoint(PAGES_AND_COMMANDS), "knows of pages or commands"


@pytest.mark.parametrize("module", MODULES)
def test_a_module_stays_short_enough_to_be_read(module: str) -> None:
    lines = len(MODULES[module].read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST_MODULE, f"{lines} lines: more than one subject"


@pytest.mark.parametrize("module", MODULES)
def test_every_module_can_be_imported_by_itself(module: str) -> None:
    """Nothing registers, opens or starts at import."""
    importlib.import_module(module)
