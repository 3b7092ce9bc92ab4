"""What README.md and DEVELOPERS.md tell a reader to type, open or follow is there and means what they say.

Links by CommonMark 0.31, anchors by the rule of the places that show such files (lower case, no punctuation, hyphens).
"""

from __future__ import annotations

import re
import shlex
import shutil
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from urllib.parse import urlsplit

import click
import pytest
from click.testing import CliRunner

from dashboard.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
DOCS = ("README.md", "DEVELOPERS.md", "sample_logs/README.md")
FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
OWN_PLACES = ("daq/", "analysis/", "dashboard/", "tests/", "sample_logs/", ".ci/")


@cache
def text(doc: str) -> str:
    return (ROOT / doc).read_text(encoding="utf-8")


def prose(doc: str) -> str:
    """The text without its fenced blocks."""
    return FENCED.sub("", text(doc))


def blocks(doc: str) -> list[str]:
    """The command lines of its shell blocks, continued and chained ones apart, without remarks."""
    found = [body for language, body in FENCED.findall(text(doc)) if language == "sh"]
    found += re.findall(r"^    ((?:evenburn|python) .*)$", text(doc), re.MULTILINE)
    lines = [line for body in found for line in body.replace("\\\n", " ").splitlines()]
    return [part.strip() for line in lines for part in line.partition("  #")[0].split("&&") if part.strip()]


def spans(doc: str) -> list[str]:
    """What is set as code within a sentence."""
    return [" ".join(found.split()) for found in re.findall(r"(?<!`)`([^`]+)`(?!`)", prose(doc))]


def typed() -> Iterator[tuple[str, str]]:
    """(document, command line) for everything a reader may type."""
    for doc in DOCS:
        for line in [*blocks(doc), *spans(doc)]:
            if re.match(r"(\S*/)?(evenburn|python3?|pip|bash|pre-commit|git)\b(?! *=)", line):
                yield doc, line


def own_commands() -> list[list[str]]:
    """The words after `evenburn` of everything typed."""
    words = [shlex.split(line) for _, line in typed()]
    return [line[1:] for line in words if Path(line[0]).name == "evenburn"]


def scripts() -> list[list[str]]:
    """Everything typed that runs a file of this project, with what follows it; also a script named with options."""
    found = [shlex.split(line) for _, line in typed()]
    found += [shlex.split(span) for doc in DOCS for span in spans(doc) if re.match(r"[\w/.]+\.py( |$)", span)]
    return [
        line[i:] for line in found for i, word in enumerate(line) if word.endswith(".py") or word == ".ci/run"
    ]


def where(script: str) -> Path:
    """A script by its path, or by its name alone where it lies in tests/ or its whole way is said elsewhere."""
    near = [path for place in ("", "tests/") if (path := ROOT / place / script).is_file()]
    return near[0] if near else next(iter(sorted(ROOT.glob(f"*/**/{script}"))), ROOT / script)


# what is typed


def test_there_is_something_to_check() -> None:
    assert len(own_commands()) >= 15 and len(scripts()) >= 10 and len(list(typed())) >= 30
    assert {words[0] for words in own_commands() if words} >= {*COMMANDS} - {"simulate"}


@pytest.mark.parametrize("words", own_commands(), ids=" ".join)
def test_a_command_line_is_understood(words: list[str]) -> None:
    """By click itself: the command, its options, their kinds, and that nothing is missing."""
    name, *rest = words
    if name.startswith("--"):
        assert name in options_of(main)
        return
    command = main.get_command(click.Context(main), name)
    assert command is not None, f"no such command: {name}"
    if rest:
        command.make_context(name, rest)


@pytest.mark.parametrize("words", scripts(), ids=" ".join)
def test_a_script_is_there_and_knows_its_options(words: list[str]) -> None:
    path = where(words[0])
    assert path.is_file(), words[0]
    if path.suffix != ".py":
        return
    source = path.read_text(encoding="utf-8")
    for word in words[1:]:
        if word.startswith("--"):
            assert f'"{word.partition("=")[0]}"' in source, f"{path.name} has no {word}"


def options_of(command: click.Command) -> set[str]:
    named = {name for p in command.params if isinstance(p, click.Option) for name in p.opts}
    return {*named, "--help"}


def test_every_option_that_is_mentioned_exists_somewhere() -> None:
    known = {"--help"}
    for name in COMMANDS:
        command = main.get_command(click.Context(main), name)
        assert command is not None
        known |= options_of(command)
    for script in (ROOT / "tests").glob("*.py"):
        known |= set(re.findall(r'add_argument\("(--[\w-]+)"', script.read_text(encoding="utf-8")))
    mentioned = {
        span.split()[0].partition("=")[0] for doc in DOCS for span in spans(doc) if span.startswith("--")
    }
    assert mentioned >= {"--no-browser", "--help"} and mentioned <= known


def test_extras_and_modules_that_are_installed_or_run_exist() -> None:
    extras = set(tomllib.loads(text("pyproject.toml"))["project"]["optional-dependencies"])
    named = {
        e for _, line in typed() for found in re.findall(r"\.\[([\w,]+)\]", line) for e in found.split(",")
    }
    assert {"test", "lint", "can", "modbus"} <= named <= extras
    for _, line in typed():
        for module in re.findall(r"python -m (dashboard[\w.]*)", line):
            assert (ROOT / f"{module.replace('.', '/')}.py").is_file()


def test_the_checks_run_what_the_readme_marks() -> None:
    """`.ci/run` takes the two marked blocks out of the README by these very lines."""
    marked = re.findall(r"<!-- command: (\w+) -->\n```sh\n(.+)\n```", text("README.md"))
    assert [name for name, _ in marked] == ["demo", "test"]
    run = text(".ci/run")
    assert all(f"run_readme {name}" in run for name, _ in marked)
    assert marked[0][1].endswith("&& .venv/bin/evenburn demo"), ".ci/run adds --no-browser to this line"
    assert len(re.findall(r"^```sh$", text("README.md"), re.MULTILINE)) == len(marked), (
        "a block that nothing runs"
    )
    inside = text("DEVELOPERS.md").partition("```sh\n")[2].partition("```")[0]
    assert "bash .ci/run" in inside and '-e ".[test,lint]"' in inside and '-e ".[test,lint]"' in run


def test_the_readme_leads_from_a_session_to_a_comparison(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The commands of the steps after a run, exactly as printed, on two invented sessions under the README's names."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "sample_logs" / "work-boat", "run-1")
    shutil.copytree(ROOT / "sample_logs" / "work-boat-trimmed", "run-2")
    steps = [
        words
        for words in map(shlex.split, spans("README.md"))
        if words[:1] == ["evenburn"] and "run-1" in words
    ]
    done = [words[1] for words in steps if words[1] != "record"]
    assert done == ["balance", "trims", "compare", "balance", "compare"]
    for words in steps:
        if words[1] != "record":
            result = CliRunner().invoke(main, words[1:])
            assert result.exit_code == 0, (words, result.output)
    header = Path("run-1-trims/trims.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    assert header.split(",")[-1] == "really_set_percent", "the README says: the last column"


# where the text leads


def slug(heading: str) -> str:
    plain = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).strip().lower()
    return re.sub(r"[^\w\- ]", "", plain).replace(" ", "-")


def anchors(doc: str) -> set[str]:
    return {slug(heading) for heading in re.findall(r"^#+ (.+)$", prose(doc), re.MULTILINE)}


def links() -> list[tuple[str, str]]:
    found = []
    for doc in DOCS:
        targets = re.findall(r"\[[^\]]*\]\(([^)\s]+)\)", prose(doc)) + re.findall(
            r"<(https?:[^>]+)>", prose(doc)
        )
        found += [(doc, target) for target in targets]
    return found


@pytest.mark.parametrize(
    ("heading", "anchor"),
    [
        ("The line stream (what an instrument prints)", "the-line-stream-what-an-instrument-prints"),
        ("How good it is", "how-good-it-is"),
        ("`evenburn` – now", "evenburn--now"),
    ],
)
def test_an_anchor_is_made_as_it_is_elsewhere(heading: str, anchor: str) -> None:
    assert slug(heading) == anchor


@pytest.mark.parametrize(("doc", "target"), links())
def test_a_link_leads_somewhere(doc: str, target: str) -> None:
    if target.startswith(("http:", "https:")):
        parts = urlsplit(target)
        assert parts.scheme == "https" and re.fullmatch(r"([a-z0-9-]+\.)+[a-z]{2,}", parts.netloc)
        assert not re.search(r"[\s<>\"{}|\\^`]", target)
        return
    file, _, anchor = target.partition("#")
    path = (ROOT / doc).parent / file if file else ROOT / doc
    assert path.exists(), target
    if anchor:
        assert anchor in anchors(str(path.relative_to(ROOT))), anchor


def test_the_readme_shows_pictures_that_say_what_they_show() -> None:
    shown = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", text("README.md"))
    assert len(shown) >= 2
    for says, picture in shown:
        assert len(says) > 20 and (ROOT / picture).stat().st_size > 10_000


def places() -> list[tuple[str, str]]:
    """Paths of this project that stand in the documents as code."""
    return [
        (doc, span)
        for doc in DOCS
        for span in spans(doc)
        if span.startswith(OWN_PLACES) and not re.search(r"[\s*<>…]", span)
    ]


@pytest.mark.parametrize(("doc", "place"), places())
def test_a_path_that_is_named_exists(doc: str, place: str) -> None:
    assert (ROOT / place).exists()


def test_the_way_of_a_sample_names_modules_that_exist() -> None:
    way = text("DEVELOPERS.md").partition("One sample's way in")[2].partition("\n\n")[0]
    names = [name for span in re.findall(r"`([^`]+)`", way) for name in span.split()]
    names = [name for name in names if not (ROOT / name).is_dir()]
    assert len(names) > 15
    for name in names:
        assert any((ROOT / layer / f"{name}.py").is_file() for layer in ("daq", "analysis", "dashboard")), (
            name
        )


def test_tests_that_are_named_against_threats_exist() -> None:
    """`file`: `name`, … in the section on threats; an ellipsis stands for the rest of a name."""
    section = text("DEVELOPERS.md").partition("\n## Threats\n")[2].partition("\n## ")[0]
    named = [span for span in re.findall(r"`([a-z][\w.]*…?)`", section) if span != "pyproject.toml"]
    functions = "\n".join(
        line for path in (ROOT / "tests").glob("test_*.py") for line in path.read_text("utf-8").splitlines()
    )
    assert len(named) > 25
    for name in named:
        is_file = (ROOT / "tests" / f"test_{name}.py").is_file() or (ROOT / "tests" / name).is_file()
        assert is_file or f"def test_{name.rstrip('…')}" in functions, name


def test_no_place_of_one_machine_is_named() -> None:
    for doc in DOCS:
        assert not re.search(r"(?<![\w.])/(home|Users|root|opt|srv|mnt|work)/", text(doc)), doc


def test_references_that_comments_cite_are_listed() -> None:
    """ "references, section 9" in a source is a heading "## 9 …" of the reference values."""
    cited: set[str] = set()
    for layer in ("daq", "analysis", "dashboard", "tests"):
        for path in (ROOT / layer).rglob("*.py"):
            joined = re.sub(r"\n\s*#?\s*", " ", path.read_text(encoding="utf-8"))
            cited |= set(re.findall(r"[Rr]eferences,? section (\d+)", joined))
    listed = set(re.findall(r"^## (\d+) ", text("tests/reference/README.md"), re.MULTILINE))
    assert len(cited) >= 6 and cited <= listed


# the changes


def test_the_changes_are_kept_as_keep_a_changelog_1_1_asks() -> None:
    """Newest first, ISO dates, its six kinds of change, something said under each; the newest number is ours."""
    changes = text("DEVELOPERS.md").partition("\n## Changes\n")[2].partition("\n### Release steps\n")[0]
    versions = re.findall(r"^### (.+)$", changes, re.MULTILINE)
    assert versions[0] == "Unreleased"
    numbers = [re.fullmatch(r"(\d+\.\d+\.\d+) – \d{4}-\d{2}-\d{2}", version) for version in versions[1:]]
    assert all(numbers)
    released = [tuple(map(int, n[1].split("."))) for n in numbers if n]
    assert released == sorted(set(released), reverse=True)
    ours = tomllib.loads(text("pyproject.toml"))["project"]["version"]
    assert ours in (changes if not released else versions[1])
    kinds = re.findall(r"^#### (.+)\n\n(- .+)", changes, re.MULTILINE)
    assert kinds and len(kinds) == len(re.findall(r"^#### ", changes, re.MULTILINE))
    assert {kind for kind, _ in kinds} <= {"Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"}
