"""The published JSON Schemas are what the commands write, no more and no less.

Validated by `jsonschema`, an implementation of JSON Schema draft 2020-12 (json-schema.org) that is not ours.
"""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import pytest
from builders import CASES
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from analysis.compare import Moved, compare
from analysis.published import balance_to_json, compare_to_json, trims_to_json
from analysis.result import Finding, Kind, Method, Side
from dashboard.cli import main

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
NAMES = ("balance-1", "trims-1", "compare-1")
Document = dict[str, Any]


@cache
def schema(name: str) -> Document:
    read: Document = json.loads((files("analysis") / "schemas" / f"{name}.json").read_text("utf-8"))
    return read


def complaints(document: Document) -> list[str]:
    """What is wrong with `document` under the schema that it names itself."""
    name = str(document["schema"]).removeprefix("evenburn.").replace("/", "-")
    found = Draft202012Validator(schema(name)).iter_errors(document)
    return [f"{error.json_path}: {error.message}" for error in found]


def objects(node: Any) -> Iterator[Document]:
    """Every sub-schema that describes an object's keys itself (the conditions below `if` and `then` do not)."""
    if isinstance(node, dict):
        if node.get("type") == "object":
            yield node
        for value in node.values():
            yield from objects(value)
    elif isinstance(node, list):
        for value in node:
            yield from objects(value)


# sessions and what the commands make of them


def cut(folder: Path, name: str, seconds: float) -> Path:
    """The sample `name` as far as it was recorded `seconds` after its beginning."""
    shutil.copytree(SAMPLES / name, folder)
    header, *rows = (folder / "main.csv").read_bytes().splitlines(keepends=True)
    kept = [row for row in rows if float(row.partition(b",")[0]) < seconds]
    (folder / "main.csv").write_bytes(b"".join((header, *kept)))
    return folder


@pytest.fixture(scope="module")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    place = tmp_path_factory.mktemp("sessions")
    return {
        "sweep": SAMPLES / "work-boat",
        "trimmed": SAMPLES / "work-boat-trimmed",
        "one bank, probe fault": SAMPLES / "inline-four-broken-probe",
        "holds only": cut(place / "holds", "work-boat", 130.0),
        "nothing comparable": cut(place / "cold", "work-boat", 24.0),
    }


def written(*words: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code in (0, 1), done.output
    return done.exit_code, done.stdout


@pytest.fixture(scope="module")
def documents(sessions: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Document]:
    """What `balance`, `trims` and `compare` write of each session or pair of sessions."""
    place = tmp_path_factory.mktemp("written")
    found = {
        f"balance, {name}": json.loads(written("balance", s, "--json", "-")[1])
        for name, s in sessions.items()
    }
    for name, session in sessions.items():
        written("trims", session, "--out", place / name)
        found[f"trims, {name}"] = json.loads((place / name / "trims.json").read_text("utf-8"))
    for after in ("trimmed", "holds only", "nothing comparable"):
        told = written(
            "compare", sessions["sweep"], sessions[after], "--json", "-", "--out", place / f"c {after}"
        )[1]
        found[f"compare, {after}"] = json.loads(told)
        on_disk = json.loads((place / f"c {after}" / "compare.json").read_text("utf-8"))
        assert on_disk == found[f"compare, {after}"]
    return found


def test_the_sessions_are_as_different_as_they_are_meant_to_be(documents: dict[str, Document]) -> None:
    methods = {name: d["method"] for name, d in documents.items() if name.startswith("balance")}
    assert methods["balance, sweep"] == "sweep"
    assert methods["balance, holds only"] == "steady"
    assert documents["balance, holds only"]["problems"], "a record cut behind its seals is said to be"
    nothing = documents["balance, nothing comparable"]
    assert {c["finding"] for c in nothing["cylinders"]} == {"undetermined"} and nothing["stretches"] == []
    assert "probe-fault" in {c["finding"] for c in documents["balance, one bank, probe fault"]["cylinders"]}
    assert documents["compare, nothing comparable"]["region"] == ""


def test_what_the_commands_write_is_valid(documents: dict[str, Document]) -> None:
    assert len(documents) == 13
    for name, document in documents.items():
        assert complaints(document) == [], name


@pytest.mark.parametrize("name", CASES)
def test_invented_results_are_valid(name: str) -> None:
    """Also with trims by region and milliseconds, which no sample shows."""
    trims, _ = CASES[name]()
    document = trims_to_json(trims)
    assert complaints(balance_to_json(trims.balance)) == complaints(document) == []
    assert complaints(compare_to_json(compare(trims.balance, trims.balance, {}))) == []
    document["cylinders"][0]["trim_ms"] = 0.0312
    document["regions"] = [
        {
            "region": "2400 rpm · load 62",
            "rpm": 2400.0,
            "load": None,
            "cylinder": 1,
            "fuel_offset_percent": -2.1,
            "fuel_offset_u95_percent": 0.5,
            "trim_percent": 2.1,
        }
    ]
    assert complaints(document) == []


def test_a_target_for_the_mean_is_said_with_the_trims_that_it_moves(
    sessions: dict[str, Path], tmp_path: Path
) -> None:
    written("trims", sessions["sweep"], "--out", tmp_path, "--lambda-target", "0.85")
    document = json.loads((tmp_path / "trims.json").read_text("utf-8"))
    assert complaints(document) == [] and document["limits"]["lambda_target"] == 0.85


def test_what_changed_in_a_session_or_with_the_region_is_a_key_and_not_only_a_sentence() -> None:
    trims, _ = CASES["lean"]()
    first, *others = trims.balance.cylinders
    told = replace(first, depends_on_region=True, changed_in_session=True)
    document = balance_to_json(replace(trims.balance, cylinders=(told, *others)))
    assert complaints(document) == []
    for key in ("depends_on_region", "changed_in_session"):
        assert [c[key] for c in document["cylinders"]] == [True] + [False] * len(others)


def test_a_list_of_a_season_holds_one_document_for_each_session(sessions: dict[str, Path]) -> None:
    both = written("balance", sessions["sweep"], sessions["nothing comparable"], "--json", "-")[1]
    assert [complaints(document) for document in json.loads(both)] == [[], []]


# the schemas themselves


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_is_closed_and_says_what_everything_is(name: str) -> None:
    """Keys, units and words: a number's unit stands in brackets, °C and % also in its name."""
    Draft202012Validator.check_schema(schema(name))
    assert schema(name)["title"] == schema(name)["properties"]["schema"]["const"]
    assert f"evenburn.{name.replace('-', '/')}" == schema(name)["title"]
    described = list(objects(schema(name)))
    assert len(described) >= 3
    for part in described:
        assert part["additionalProperties"] is False
        optional = set(part["properties"]) - set(part["required"])
        assert optional <= {"trim_ms", "regions"}
        for key, value in part["properties"].items():
            assert value.get("description") or key == "schema", f"{key} is not described"
            if "number" in value.get("type", ""):
                says = value["description"]
                assert "[" in says or "in the unit of" in says or "dimensionless" in says, (
                    f"{key} has no unit"
                )
                assert ("[°C" in says) == ("_C" in key), key
                assert not key.endswith("_s") or "[s" in says, key


def test_the_words_are_those_of_the_code() -> None:
    """A word that the code gains has to be published, in a new version once the old one is out."""
    for name in ("balance-1", "trims-1"):
        parts = {key: schema(name)["$defs"][key]["properties"] for key in ("cylinder", "bank", "stretch")}
        assert parts["cylinder"]["finding"]["enum"] == list(get_args(Finding))
        assert parts["bank"]["side"]["enum"] == [*get_args(Side), None]
        assert parts["stretch"]["kind"]["enum"] == list(get_args(Kind))
        assert schema(name)["properties"]["method"]["enum"] == list(get_args(Method))
    compared = schema("compare-1")["$defs"]["cylinder"]["properties"]
    assert compared["moved"]["enum"] == list(get_args(Moved))
    assert compared["finding_after"]["enum"] == list(get_args(Finding))


def test_what_balance_and_trims_share_means_the_same_in_both() -> None:
    for part in ("bank", "cylinder", "stretch"):
        own, more = (schema(n)["$defs"][part]["properties"] for n in ("balance-1", "trims-1"))
        assert {key: more[key] for key in own} == own, part


# what is broken is refused


def _set(*path: str | int, to: Any) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        for step in path[:-1]:
            document = document[step]  # type: ignore[index]
        document[path[-1]] = to  # type: ignore[index]

    return change


def _drop(*path: str | int) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        for step in path[:-1]:
            document = document[step]  # type: ignore[index]
        del document[path[-1]]  # type: ignore[arg-type]

    return change


@pytest.mark.parametrize(
    ("name", "change", "place"),
    [
        ("balance, sweep", _set("extra", to=1), "$: "),
        ("balance, sweep", _drop("problems"), "$: "),
        ("balance, sweep", _set("method", to="guess"), "$.method"),
        ("balance, sweep", _drop("cylinders", 0, "finding"), "$.cylinders[0]"),
        ("balance, sweep", _set("cylinders", 0, "finding", to="weak"), "$.cylinders[0].finding"),
        ("balance, sweep", _set("cylinders", 0, "fuel_offset_percent", to="-1.2"), "fuel_offset_percent"),
        (
            "balance, sweep",
            _set("cylinders", 0, "fuel_offset_u95_percent", to=-0.1),
            "fuel_offset_u95_percent",
        ),
        (
            "balance, sweep",
            _set("cylinders", 0, "fuel_offset_u95_percent", to=None),
            "fuel_offset_u95_percent",
        ),
        ("balance, sweep", _set("cylinders", 0, "egt_deviation_F", to=1.0), "$.cylinders[0]"),
        ("balance, sweep", _set("cylinders", 0, "reasons", to=[]), "reasons"),
        ("balance, sweep", _set("cylinders", 0, "trim_percent", to=1.0), "$.cylinders[0]"),
        ("balance, sweep", _set("banks", 0, "lambda_mean", to=0), "lambda_mean"),
        ("balance, sweep", _set("stretches", 0, "used", to="yes"), "used"),
        ("balance, nothing comparable", _set("cylinders", 0, "finding", to="even"), "fuel_offset_percent"),
        ("balance, one bank, probe fault", _set("cylinders", 1, "fuel_offset_percent", to=0.0), "percent"),
        ("trims, one bank, probe fault", _set("cylinders", 1, "trim_percent", to=1.0), "trim_percent"),
        ("trims, sweep", _set("cautions", to=[]), "cautions"),
        ("trims, sweep", _set("limits", "leaning_share", to=1.5), "leaning_share"),
        ("trims, sweep", _set("cylinders", 0, "trim_ms", to=None), "trim_ms"),
        ("compare, trimmed", _set("cylinders", 0, "moved", to="a bit"), "moved"),
        ("compare, trimmed", _set("banks", 0, "another_step", to=0), "another_step"),
        ("compare, trimmed", _drop("cylinders", 0, "change_u95_C"), "$.cylinders[0]"),
    ],
)
def test_a_broken_document_is_refused(
    documents: dict[str, Document], name: str, change: Callable[[Document], None], place: str
) -> None:
    broken = copy.deepcopy(documents[name])
    change(broken)
    assert any(place in complaint for complaint in complaints(broken))


@pytest.mark.parametrize(("finding", "wrong"), [("lean", 1.2), ("rich", -1.2)])
def test_a_finding_that_its_own_offset_denies_is_refused(
    documents: dict[str, Document], finding: str, wrong: float
) -> None:
    broken = copy.deepcopy(documents["balance, sweep"])
    broken["cylinders"][0].update(finding=finding, fuel_offset_percent=wrong)
    assert any("fuel_offset_percent" in complaint for complaint in complaints(broken))
