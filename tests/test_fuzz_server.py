"""Every endpoint and every callback of the server, asked for anything: an answer, no defect, nothing from outside.

What is asked is drawn around what is really there: the pages' own queries and shapes with foreign values in them get
further than noise. `test_dashboard_security.py` holds the door itself.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import builders
import dashboard_work
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.server import close, create_app

HOME = "http://127.0.0.1:8050"
SECRET = "what only the owner may read"
NO_ANSWER = b"This request could not be carried out."
SESSIONS = ("lean", "<b>bold<", "even")
FOLDER_FILES = {"table.csv": "time_s,egt1\n0,1\n1,2\n", "rig.toml": builders.setup_text()}
OUTSIDE = (
    "../outside",
    "..",
    ".",
    "/",
    "/etc/passwd",
    "lean/../../outside",
    "..\\outside",
    "link",
    "%2e%2e",
    "",
)
ODD = (
    "é" * 300,
    "\0",
    "a\nb",
    "<script>alert(1)</script>",
    "{{7*7}}",
    "=1+1",
    "trash",
    "con",
    "nan",
    "1e999",
)

numbers = st.integers() | st.floats() | st.sampled_from([1e308, -0.0, 2**70])
text = st.sampled_from([*SESSIONS, *OUTSIDE, *ODD, *FOLDER_FILES]) | st.text(max_size=20)
leaf = st.none() | st.booleans() | numbers | text
anything = st.recursive(
    leaf, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(text, inner, max_size=3), max_leaves=8
)
queries = st.fixed_dictionaries(
    {"session": text | anything},
    optional=dict.fromkeys(("part", "since", "cylinder", "start", "end", "table", "setup", "told"), anything),
)
searches = st.dictionaries(
    st.sampled_from(["session", "start", "end", "cylinder", "table", "setup", "told", "other"]),
    text,
    max_size=4,
).map(lambda query: "?" + urlencode(query, errors="replace"))


def tree(root: Path) -> dict[str, bytes]:
    """Every file under `root` that is not in the folder of sessions, with its content."""
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_file() and "sessions" not in path.relative_to(root).parts
    }


def furnish(folder: Path) -> None:
    """What a request may have moved to the trash or changed is there again."""
    for name in SESSIONS:
        if not (folder / name / "setup.toml").is_file():
            (folder / name).mkdir(parents=True, exist_ok=True)
            (folder / name / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
    for file, content in FOLDER_FILES.items():
        (folder / file).write_text(content, encoding="utf-8")


class Rig:
    """An application on a folder of sessions, beside which there is something to find."""

    def __init__(self, root: Path) -> None:
        self.root, self.folder = root, root / "sessions"
        furnish(self.folder)
        (root / "outside").mkdir()
        for name in ("setup.toml", "main.csv", "secret.csv", "secret.toml"):
            (root / "outside" / name).write_text(SECRET, encoding="utf-8")
        (self.folder / "link").symlink_to(root / "outside")
        (self.folder / "secret.csv").symlink_to(root / "outside" / "secret.csv")
        self.before = tree(root)
        self.app = create_app(self.folder, work=dashboard_work.invented)
        self.client = self.app.server.test_client()
        self.client.get("/", base_url=HOME)
        self.callbacks = [
            callback
            for callback in self.client.get("/_dash-dependencies", base_url=HOME).json
            if callback["clientside_function"] is None
        ]

    def ask(self, path: str, **query: str) -> Any:
        """A page or file is asked for."""
        return self.checked(self.client.get(path, base_url=HOME, query_string=query))

    def send(self, path: str, sent: Any) -> Any:
        """A page sends JSON."""
        headers = {"Origin": HOME, "Content-Type": "application/json"}
        return self.checked(self.client.post(path, base_url=HOME, data=json.dumps(sent), headers=headers))

    def checked(self, answer: Any) -> Any:
        """`answer`, which is no defect, shows none, and holds nothing from outside."""
        body = b"" if answer.mimetype == "text/event-stream" else answer.data
        answer.close()
        # Dash itself has no better answer for a library that it does not know
        library = answer.request.path.startswith("/_dash-component-suites/")
        later = answer.status_code == 503 and body == b"This session is still being read."
        assert answer.status_code < 500 or later or (library and body == NO_ANSWER), (
            f"{answer.status}: {body[:500]!r}"
        )
        assert b"Traceback" not in body and b'.py", line' not in body
        assert SECRET.encode() not in body and b"root:x:0" not in body
        return answer


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    made = Rig(tmp_path_factory.mktemp("fuzz"))
    yield made
    close(made.app)
    assert tree(made.root) == made.before, "something outside the folder was written or removed"
    assert (made.folder / "link").is_symlink() and (made.folder / "secret.csv").is_symlink()


def filled(rule: Any, draw: Any) -> str:
    """The path of a route with anything in its places; quoted so that it arrives as it is."""
    return "/" + "/".join(
        quote(draw(text), safe=draw(st.sampled_from(["", "/"])), errors="replace")
        if part.startswith("<")
        else part
        for part in rule.rule.strip("/").split("/")
    )


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_every_route_answers_any_path_and_query(rig: Rig, data: st.DataObject) -> None:
    furnish(rig.folder)
    rules = [r for r in rig.app.server.url_map.iter_rules() if "GET" in (r.methods or ())]
    rule = data.draw(st.sampled_from(sorted(rules, key=lambda r: r.rule)))
    rig.ask(
        filled(rule, data.draw),
        **data.draw(
            st.dictionaries(
                st.sampled_from(["theme", "since", "x", "session", "over", "start", "end", "shift"]), text
            )
        ),
    )


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_every_route_that_takes_json_answers_any(rig: Rig, data: st.DataObject) -> None:
    rules = sorted(r.rule for r in rig.app.server.url_map.iter_rules() if "POST" in (r.methods or ()))
    assert {"/live/start", "/live/mark", "/_dash-update-component"} <= set(rules)
    keys = st.sampled_from(["name", "port", "text", "on", "output", "outputs", "inputs", "state"])
    harmless = anything.filter(
        lambda value: not is_a_setup(value)
    )  # nothing here is to begin a real recording
    sent = st.dictionaries(keys, anything, max_size=4) | anything
    body = data.draw(sent)
    if isinstance(body, dict):
        body["setup"] = data.draw(harmless)
    rule = data.draw(st.sampled_from(rules))
    if rule != "/_dash-update-component":  # what Dash itself makes of noise: see test_dashboard_security.py
        rig.send(rule, body)


def is_a_setup(value: object) -> bool:
    """Whether a recording could begin with this."""
    return str(value) in FOLDER_FILES or str(value).startswith("session:")


def place(identity: str, prop: str, value: Any, draw: Any) -> Any:
    """An input or state as the browser sends it; one of several buttons has a name in its identity."""
    if not identity.startswith("{"):
        return {"id": identity, "property": prop, "value": value}
    named = {k: draw(text) if isinstance(v, list) else v for k, v in json.loads(identity).items()}
    return [{"id": named, "property": prop, "value": value}]


def outputs_of(output: str) -> Any:
    """The outputs of a callback as the browser sends them."""

    def one(name: str) -> dict[str, str]:
        identity, _, prop = name.rpartition(".")
        return {"id": identity, "property": prop}

    return [one(name) for name in output[2:-2].split("...")] if output.startswith("..") else one(output)


def value_for(identity: str, prop: str) -> st.SearchStrategy[Any]:
    """Mostly what belongs there, with something foreign in it."""
    if prop == "pathname":
        return st.sampled_from(["/", "/sessions", "/review", "/balance", "/trims", "/fitting"]) | text
    if prop == "search":
        return searches | text
    if identity.endswith("-query"):
        return queries | anything
    if identity == "review-view":
        return st.lists(numbers, min_size=2, max_size=2) | anything
    return anything


@settings(max_examples=250, deadline=None)
@given(st.data())
def test_every_callback_answers_any_values(rig: Rig, data: st.DataObject) -> None:
    furnish(rig.folder)
    callback = data.draw(st.sampled_from(rig.callbacks))
    inputs, states = (
        [
            place(p["id"], p["property"], data.draw(value_for(p["id"], p["property"])), data.draw)
            for p in callback[k]
        ]
        for k in ("inputs", "state")
    )
    changed = data.draw(st.sampled_from(inputs))
    changed = changed[0] if isinstance(changed, list) else changed
    identity = changed["id"] if isinstance(changed["id"], str) else json.dumps(changed["id"], sort_keys=True)
    answer = rig.send(
        "/_dash-update-component",
        {
            "output": callback["output"],
            "outputs": outputs_of(callback["output"]),
            "inputs": inputs,
            "state": states,
            "changedPropIds": [f"{identity}.{changed['property']}"],
        },
    )
    assert answer.status_code in {200, 204}


def test_the_callbacks_are_really_reached(rig: Rig) -> None:
    """The shapes that the fuzzing sends are those of the browser: a plain question gets its plain answer."""
    furnish(rig.folder)
    for callback in rig.callbacks:
        if "mark-said.children" in callback["output"]:
            sent = {"mark-add": 1, "mark-time": 1.5, "mark-text": "here", "mark-session": "lean"}
            inputs, states = (
                [place(p["id"], p["property"], sent[p["id"]], None) for p in callback[k]]
                for k in ("inputs", "state")
            )
            answer = rig.send(
                "/_dash-update-component",
                {
                    "output": callback["output"],
                    "outputs": outputs_of(callback["output"]),
                    "inputs": inputs,
                    "state": states,
                    "changedPropIds": ["mark-add.n_clicks"],
                },
            )
            assert answer.status_code == 200
            break
    else:
        pytest.fail("no such callback")
