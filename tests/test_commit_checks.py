"""The checks before a commit: the file is understood, what it runs comes with `lint`, and it finds what it should.

Keys by the pre-commit documentation, "Creating new hooks" and "Repository local hooks".
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[1]
SETTINGS = yaml.safe_load((ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8"))
HOOKS: dict[str, dict[str, Any]] = {hook["id"]: hook for repo in SETTINGS["repos"] for hook in repo["hooks"]}
COMES_WITH = {"ruff": "ruff", "mypy": "mypy", "lint-imports": "import-linter"}  # command -> package


def test_nothing_is_fetched() -> None:
    assert [repo["repo"] for repo in SETTINGS["repos"]] == ["local"]
    assert {hook["language"] for hook in HOOKS.values()} == {"system", "pygrep"}
    assert all("additional_dependencies" not in hook for hook in HOOKS.values())


def test_what_is_run_comes_with_the_extra() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
        "optional-dependencies"
    ]
    packages = {re.split(r"[^\w-]", package)[0] for package in extras["lint"]}
    commands = [shlex.split(h["entry"])[0] for h in HOOKS.values() if h["language"] == "system"]
    assert set(commands) == {*COMES_WITH, "bash"}
    assert {COMES_WITH[c] for c in commands if c != "bash"} <= packages and "pre-commit" in packages


def test_they_are_those_that_a_change_has_to_pass() -> None:
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    asked = {
        line.removeprefix(".venv/bin/").removesuffix(" .")
        for line in run.splitlines()
        if ".venv/bin/" in line
    }
    entries = {h["entry"] for h in HOOKS.values() if shlex.split(h["entry"])[0] in COMES_WITH}
    assert entries == {"ruff format --check", "ruff check", "mypy", "lint-imports"} and entries <= asked


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("see /" + "home/anna/engine", True),
        ('"/' + 'Users/anna"', True),
        ("C:" + "\\Users\\anna", True),
        ("open('/" + "root/notes')", True),
        ("the page is at /" + "home", False),
        ("https://example.org/" + "home/page", False),
        ("tests/" + "root/x", False),
    ],
)
def test_a_path_into_somebodys_own_folder_is_found(line: str, found: bool) -> None:
    """pygrep searches each line by Python's `re`."""
    assert bool(re.search(HOOKS["own-folders"]["entry"], line)) is found


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_a_large_file_is_found(tmp_path: Path) -> None:
    (small := tmp_path / "a small one").write_bytes(b"x" * 500_000)
    (large := tmp_path / "a large one").write_bytes(b"x" * 500_001)
    words = shlex.split(HOOKS["large-files"]["entry"])
    assert subprocess.run([*words, str(small)]).returncode == 0
    said = subprocess.run([*words, str(small), str(large)], capture_output=True, text=True)
    assert said.returncode == 1 and said.stdout == f"{large} is too large\n"
