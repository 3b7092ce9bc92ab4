"""Pages and callbacks through the server's own test client: no browser, the same requests."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote_plus

import builders
import dashboard_work
import numpy as np
import pytest
from dash._utils import to_json

from daq.session import open_session
from dashboard.analysis_worker import Work
from dashboard.figures.traces import stretch_text
from dashboard.pages import PAGE_MODULES, balance, review, sessions, trims
from dashboard.server import close, create_app

HOME = "http://127.0.0.1:8050"
HOSTILE = "<img src=x onerror=alert(1)>"
LONGEST_S = 60.0


def serve(folder: Path, work: Work = dashboard_work.invented, *more: str) -> Any:
    """An application on three sessions, and `more`, in `folder`."""
    for name in ("lean", "even", "near-peak", *more):
        (folder / name).mkdir()
        (folder / name / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
        (folder / name / "main.csv").write_text("host_s,time_ms\n0.1,1\n0.2,2\n")
        (folder / name / "marks.jsonl").write_text('{"time_s": 0, "kind": "start", "text": ""}\n')
    return create_app(folder, work=work)


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """An application that tests only read from."""
    app = serve(tmp_path_factory.mktemp("shared"))
    yield app
    close(app)


@pytest.fixture
def own_app(tmp_path: Path) -> Iterator[Any]:
    """An application of one test, on `tmp_path`."""
    app = serve(tmp_path)
    yield app
    close(app)


def analysed(app: Any, *names: str) -> None:
    for name in names:
        assert app.server.config["EVENBURN"].analyst.wait(name, LONGEST_S).phase == "done"


def shown(app: Any, module: Any, cookie: str = "", **query: str) -> str:
    """What a page's layout holds, as the JSON that goes to the browser."""
    headers = {"Cookie": f"evenburn_display={cookie}"}
    with app.server.test_request_context("/", base_url=HOME, headers=headers):
        tree = json.loads(to_json(module.layout(**query)))
    return json.dumps(tree, ensure_ascii=False, separators=(",", ":"))


def call(app: Any, outputs: list[str], inputs: dict[str, Any], state: dict[str, Any], changed: str) -> Any:
    """One callback as the browser would ask for it; the answer's JSON, or None where nothing changes."""
    known = app.server.test_client().get("/_dash-dependencies", base_url=HOME).json
    wanted = next(
        c
        for c in known
        if all(o in c["output"] for o in outputs) and changed.split(".")[0] in str(c["inputs"])
    )

    def given(entries: list[dict[str, str]], values: dict[str, Any]) -> list[dict[str, Any]]:
        return [{**e, "value": values.get(f"{e['id']}.{e['property']}")} for e in entries]

    many = wanted["output"].strip(".").split("...")
    parts = [{"id": o.rpartition(".")[0], "property": o.rpartition(".")[2].partition("@")[0]} for o in many]
    body = {
        "output": wanted["output"],
        "outputs": parts if wanted["output"].startswith("..") else parts[0],
        "inputs": given(wanted["inputs"], {**state, **inputs}),
        "state": given(wanted["state"], state),
        "changedPropIds": [changed],
    }
    answer = app.server.test_client().post(
        "/_dash-update-component", base_url=HOME, json=body, headers={"Origin": HOME}
    )
    if answer.status_code == 204:
        return None
    assert answer.status_code == 200, answer.data
    return answer.json["response"]


@pytest.mark.parametrize("module", PAGE_MODULES, ids=lambda m: m.NAME)
@pytest.mark.parametrize("session", [None, "lean", "no such session", "../lean"])
def test_every_page_has_a_heading_and_the_links_to_all_others(
    app: Any, module: Any, session: str | None
) -> None:
    page = shown(app, module, **({"session": session} if session else {}))
    assert '"H1"' in page
    for other in PAGE_MODULES:
        assert f'"href":"{other.PATH}' in page
    if session in {"no such session", "../lean"} and module in (review, balance, trims):
        assert "there is no session named" in page


@pytest.mark.parametrize("module", [review, balance, trims], ids=lambda m: m.NAME)
def test_a_page_waits_and_then_shows(own_app: Any, module: Any) -> None:
    area = module.NAME.lower()
    assert "Stop" in shown(own_app, module, session="lean")
    analysed(own_app, "lean")
    query = {"session": "lean", "cylinder": None, "over": None, "start": None, "end": None}
    state = {f"{area}-query.data": query}
    said = call(
        own_app, [f"{area}-poll.disabled", f"{area}-ready.data"], {}, state, f"{area}-poll.n_intervals"
    )
    assert said[f"{area}-poll"]["disabled"] is True
    assert said[f"{area}-stop"]["hidden"] is True
    ready = {f"{area}-ready.data": said[f"{area}-ready"]["data"]}
    answer = call(own_app, [f"{area}-content.children"], ready, state, f"{area}-ready.data")
    assert "Figure" in json.dumps(answer[f"{area}-content"])


def test_an_analysis_that_takes_long_is_stopped_and_begun_again(tmp_path: Path) -> None:
    app = serve(tmp_path, dashboard_work.endless, "slow")
    try:
        state = {"balance-query.data": {"session": "slow", "cylinder": None}}
        outputs = ["balance-poll.disabled", "balance-again.hidden"]
        busy = call(app, outputs, {}, state, "balance-poll.n_intervals")
        assert busy["balance-poll"]["disabled"] is False and busy["balance-stop"]["hidden"] is False
        stopped = call(app, outputs, {}, state, "balance-stop.n_clicks")
        assert stopped["balance-poll"]["disabled"] is True and stopped["balance-again"]["hidden"] is False
        assert "was stopped" in json.dumps(stopped["balance-wait"])
        again = call(app, outputs, {}, state, "balance-again.n_clicks")
        assert again["balance-poll"]["disabled"] is False
    finally:
        close(app)


def test_balance_page_tells_the_finding_its_interval_and_its_reason(app: Any) -> None:
    analysed(app, "lean")
    page = shown(app, balance, session="lean", cylinder="5")
    assert "1 lean (cylinder 5)" in page
    assert (
        "\u22124.2 ± 0.5 %" in json.loads(json.dumps(page)).encode().decode("unicode_escape", "ignore")
        or "−4.2 ± 0.5 %" in page
    )
    assert "Its curve in the sweep lies 4.2 % further lean." in page
    assert "delay of the lambda sensor" in page
    assert "Set the step, then record the same sweep again" in page


def test_balance_page_shows_deviations_where_offsets_cannot_be_told(app: Any) -> None:
    analysed(app, "near-peak")
    page = shown(app, balance, session="near-peak")
    assert "Fuel offsets cannot be told from this session." in page
    assert "where temperature says nothing about fuel" in page
    assert "Hold at lambda 0.85" in page


def test_units_and_theme_follow_the_cookie(app: Any) -> None:
    analysed(app, "lean")
    celsius, fahrenheit = (
        shown(app, balance, session="lean"),
        shown(app, balance, "auto.dark.F.afr", session="lean"),
    )
    assert "AFR of the bank" in fahrenheit and "AFR of the bank" not in celsius
    assert "#5CB8EC" in fahrenheit and "#5CB8EC" not in celsius
    assert "+31.7" in fahrenheit  # 17.6 °C


def test_trims_page_follows_the_limits_and_refuses_nonsense(app: Any) -> None:
    analysed(app, "lean")
    state = {"trims-query.data": {"session": "lean", "cylinder": None}}
    limits = {
        "limit-step_percent.value": 2.0,
        "limit-leaning_share.value": 0.5,
        "limit-threshold_percent.value": 1.0,
    }
    small = json.dumps(call(app, ["trims-proposal.children"], limits, state, "limit-step_percent.value"))
    assert "+2.0 %" in small and "step_percent=2.0" in small
    wrong = json.dumps(
        call(
            app,
            ["trims-proposal.children"],
            {**limits, "limit-leaning_share.value": 7},
            state,
            "limit-step_percent.value",
        )
    )
    assert "limits of the trim step" in wrong and "download" not in wrong


@pytest.mark.parametrize(
    ("file", "begins"),
    [("trims.html", b"<!"), ("trims.pdf", b"%PDF"), ("trims.json", b"{"), ("trims.csv", b"")],
)
def test_the_report_comes_as_a_file_with_the_limits_asked_for(app: Any, file: str, begins: bytes) -> None:
    analysed(app, "lean")
    answer = app.server.test_client().get(f"/download/lean/{file}?step_percent=2", base_url=HOME)
    assert answer.status_code == 200
    assert answer.data.startswith(begins) and len(answer.data) > 200
    assert answer.headers["Content-Disposition"] == f'attachment; filename="lean-{file}"'
    if file == "trims.json":
        assert answer.json["limits"]["step_percent"] == 2


def test_sessions_page_lists_findings_and_deletes_into_the_trash(own_app: Any, tmp_path: Path) -> None:
    analysed(own_app, "lean", "even", "near-peak")
    page = shown(own_app, sessions)
    assert "8 even" in page and "Cannot tell" in page and "/picture/rail/lean" in page
    with own_app.server.test_request_context("/", base_url=HOME):
        items, busy = sessions.listing()
    assert not busy and len(items) == 3
    body = {
        "output": "..sessions-list.children...sessions-poll.disabled...sessions-said.children..",
        "outputs": [
            {"id": "sessions-list", "property": "children"},
            {"id": "sessions-poll", "property": "disabled"},
            {"id": "sessions-said", "property": "children"},
        ],
        "inputs": [
            {"id": "sessions-poll", "property": "n_intervals", "value": 0},
            [{"id": {"kind": "trash", "session": "even"}, "property": "n_clicks", "value": 1}],
            [],
        ],
        "state": [],
        "changedPropIds": ['{"kind":"trash","session":"even"}.n_clicks'],
    }
    answer = own_app.server.test_client().post(
        "/_dash-update-component", base_url=HOME, json=body, headers={"Origin": HOME}
    )
    assert answer.status_code == 200
    assert "even was moved to" in answer.get_data(as_text=True)
    assert (tmp_path / "trash" / "even" / "main.csv").is_file()
    assert not (tmp_path / "even").exists()


TABLE = "Time (s);EGT 1 (C);EGT 2 (C);EGT 3 (C);EGT 4 (C);lambda all;RPM;MAP (kPa)\n" + "".join(
    f"{i * 0.1:.1f};{700 + i};{701 + i};{702 + i};{703 + i};0.87;2400;61.5\n" for i in range(50)
).replace(".", ",")


def test_a_table_is_imported_after_its_questions_are_answered(own_app: Any, tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text(TABLE)
    (tmp_path / "launch.toml").write_text(
        builders.setup_text("Harbour launch", {"all": (1, 2, 3, 4)}, unit="C"), encoding="utf-8"
    )
    page, query = shown(own_app, sessions), {"table": "bench.csv", "setup": "launch.toml"}
    assert "/sessions?table=bench.csv&setup=launch.toml" in page
    page = shown(own_app, sessions, **query)
    for _ in range(12):
        if "import-go" in page:
            break
        answers = re.findall(
            r"told=([^\"&]+)", page
        )  # the first of the answers offered, like a reader's click
        assert answers, page
        page = shown(own_app, sessions, **query, told=unquote_plus(answers[0]))
    assert "50 samples" in page
    stored = re.search(r'"data":(\{"table".*?\}"\})', page)
    assert stored is not None
    answer = call(
        own_app,
        ["import-said.children"],
        {},
        {"import-name.value": "bench run", "import-query.data": json.loads(stored[1])},
        "import-go.n_clicks",
    )
    assert "Imported as bench run" in json.dumps(answer)
    assert open_session(tmp_path / "bench run").tables["main"].host_s.size == 50


@pytest.mark.parametrize("table", ["../secret.csv", "absent.csv", ""])
@pytest.mark.parametrize("told", ["", "{", '{"columns": 3}', "[]", '{"units": {"x": null}}'])
def test_an_import_of_what_is_not_there_is_one_line(own_app: Any, table: str, told: str) -> None:
    page = shown(own_app, sessions, table=table, setup="absent.toml", told=told)
    assert "there is no file named" in page


@pytest.mark.parametrize("kind", ["time", "rail"])
def test_small_pictures_are_svg_and_nothing_else(app: Any, kind: str) -> None:
    analysed(app, "lean")
    answer = app.server.test_client().get(f"/picture/{kind}/lean?theme=dark", base_url=HOME)
    assert answer.mimetype == "image/svg+xml" and answer.data.startswith(b"<svg")
    assert app.server.test_client().get(f"/picture/{kind}/absent", base_url=HOME).status_code == 404


QUERY = {"session": "lean", "cylinder": None, "over": None, "start": None, "end": None}


def looked_at(app: Any, **query: Any) -> Any:
    """What the page's script is given to draw."""
    return app.server.test_client().get("/traces", base_url=HOME, query_string=query)


def times(packed: dict[str, str]) -> Any:
    return np.frombuffer(base64.b64decode(packed["bdata"]))


def test_zooming_draws_only_what_is_in_view(app: Any) -> None:
    analysed(app, "lean")
    seen = looked_at(app, session="lean", start=120, end=180).json
    assert seen["span"] == [120, 180] == seen["layout"]["xaxis.range"]
    x = times(seen["x"][0])
    assert x.min() >= 119 and x.max() <= 181
    assert (
        looked_at(app, session="lean").json["span"] == looked_at(app, session="lean", start="x").json["span"]
    )


def test_the_analysis_stands_back_for_what_is_about_to_be_drawn(
    app: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    analyst = app.server.config["EVENBURN"].analyst
    monkeypatch.setattr(analyst, "stand_back", lambda: asked.append("rest"))
    looked_at(app, session="lean", start=120, end=180)
    assert asked == ["rest"]


def test_of_the_stretches_only_those_in_view_are_drawn(app: Any) -> None:
    analysed(app, "lean")
    whole, seen = (looked_at(app, session="lean", **q).json["bars"] for q in ({}, {"start": 120, "end": 180}))
    stretches = builders.lean()[0].balance.stretches
    assert [len(alike["x"]) for alike in whole] == [
        sum(s.used is used for s in stretches) for used in (True, False)
    ]
    for used, alike in zip((True, False), seen, strict=True):
        inside = [s for s in stretches if s.used is used and s.end_s > 120 and s.start_s < 180]
        assert alike["customdata"] == [[s.start_s, s.end_s] for s in inside]
        assert {len(values) for values in alike.values()} == {len(inside)}
    assert 0 < sum(len(alike["x"]) for alike in seen) < len(stretches)


def test_what_is_zoomed_to_fits_the_traces_that_are_drawn(app: Any) -> None:
    analysed(app, "lean", "even")
    for over in (None, "even"):
        given = {"over": over} if over else {}
        figure, seen = (
            whole_picture(app, {**QUERY, "over": over}),
            looked_at(app, session="lean", **given).json,
        )
        drawn = [t for t in figure["data"] if t.get("mode") in {"lines", "text"}]
        assert len(drawn) == len(seen["x"]) == len(seen["y"])
        assert [t.get("mode") for t in figure["data"][: len(drawn)]] == [t["mode"] for t in drawn]
        assert figure["data"][len(drawn) - 1]["text"] == seen["kinds"]


def test_a_second_session_is_moved_by_hand(app: Any) -> None:
    analysed(app, "lean", "even")

    def first_s(**more: Any) -> float:
        return min(
            float(times(x)[0]) for x in looked_at(app, session="lean", over="even", **more).json["x"][20:28]
        )

    assert first_s(shift=40) - first_s(shift=0) == pytest.approx(40.0, abs=2.0)
    moved = whole_picture(app, {**QUERY, "over": "even"}, 40)
    assert [t for t in moved["data"] if str(t.get("name")).startswith("harbour-trial: cylinder 5")]


def test_only_a_session_that_is_there_is_looked_at(app: Any) -> None:
    assert looked_at(app, session="../lean").status_code == 404
    assert looked_at(app, session="lean", over="nowhere").status_code == 404
    assert looked_at(app).status_code == 404


def test_the_range_in_view_is_analysed(app: Any) -> None:
    analysed(app, "lean")

    def answer(in_view: Any) -> Any:
        return call(
            app,
            ["review-start.value", "review-range-query.data"],
            {"review-view.data": in_view},
            {"review-query.data": QUERY, "review-range-query.data": {"part": [0, 1]}},
            "review-view.data",
        )

    part = answer([120, 180])
    assert part["review-range-query"]["data"]["part"] == [120, 180]
    assert (part["review-start"]["value"], part["review-end"]["value"]) == (120, 180)
    assert answer([-1e9, 1e9])["review-range-query"]["data"]["part"] is None
    assert answer(None) is None


def whole_picture(app: Any, query: dict[str, Any] = QUERY, shift: Any = None) -> Any:
    """The figure as it is drawn when the stretches have become known."""
    state = {"review-query.data": query, "review-shift.value": shift}
    answer = call(app, ["review-traces.figure"], {}, state, "review-stretches-content.children")
    return answer["review-traces"]["figure"]


def test_a_click_on_a_line_follows_its_cylinder_and_keeps_the_view(app: Any) -> None:
    analysed(app, "lean")
    names = [trace["name"] for trace in whole_picture(app)["data"] if "name" in trace]

    def click(name: str, in_view: list[float] | None, query: dict[str, Any]) -> str:
        answer = call(
            app,
            ["review-go.href"],
            {"review-line.data": names.index(name)},
            {"review-view.data": in_view, "review-query.data": query},
            "review-line.data",
        )
        return str(answer["review-go"]["href"])

    assert click("cylinder 5", None, QUERY) == "/review?session=lean&cylinder=5"
    assert click("cylinder 5", [90, 150], QUERY) == "/review?session=lean&cylinder=5&start=90.0&end=150.0"
    assert click("cylinder 5", None, {**QUERY, "cylinder": 5}) == "/review?session=lean"


def test_the_links_of_the_page_lead_to_what_is_in_view(app: Any) -> None:
    analysed(app, "lean")

    def links(in_view: list[float]) -> str:
        outputs = ["review-cylinders.children", "review-others.children"]
        given = {"review-view.data": in_view}
        return json.dumps(call(app, outputs, given, {"review-query.data": QUERY}, "review-view.data"))

    narrow, whole = links([90.0004, 150]), links([-5, 1e6])
    assert "/review?session=lean&start=90.0&end=150.0&over=even" in narrow
    assert "/review?session=lean&cylinder=5&start=90.0&end=150.0" in narrow
    assert "/review?session=lean&over=even" in whole
    assert "start" not in whole


def test_each_stretch_can_be_chosen_and_the_one_in_the_address_is(app: Any) -> None:
    analysed(app, "lean")
    progress = app.server.config["EVENBURN"].analyst.ask("lean")
    stretches = progress.balance.stretches
    with app.server.test_request_context("/", base_url=HOME):
        whole = review.stretch_list(QUERY, progress)[0].to_plotly_json()["props"]
        first = review.stretch_list(
            {**QUERY, "start": stretches[0].start_s, "end": stretches[0].end_s}, progress
        )
    choices = json.loads(whole["data-choices"])
    assert [words for _, words in choices[1:]] == [stretch_text(stretch) for stretch in stretches]
    assert whole["data-chosen"] == choices[0][0]
    assert first[0].to_plotly_json()["props"]["data-chosen"] == choices[1][0]


def test_what_is_analysed_while_the_page_is_laid_out_is_in_its_picture_too(app: Any) -> None:
    analysed(app, "lean")
    read = replace(app.server.config["EVENBURN"].analyst.ask("lean"), balance=None)
    with app.server.test_request_context("/", base_url=HOME):
        page = json.loads(to_json(review.content(QUERY, read)))
    assert "data-choices" in json.dumps(page)  # the list is complete, and will not call for a new picture
    assert '"type": "bar"' in json.dumps(page)


def test_a_second_session_is_laid_over(app: Any) -> None:
    analysed(app, "lean", "even")
    figure = whole_picture(app, {**QUERY, "over": "even"})
    assert [t for t in figure["data"] if str(t.get("name")).startswith("harbour-trial: cylinder 5")]


def test_a_mark_is_added_to_the_session_and_shown_at_once(own_app: Any, tmp_path: Path) -> None:
    analysed(own_app, "lean")
    answer = call(
        own_app,
        ["mark-said.children"],
        {"mark-add.n_clicks": 1},
        {"mark-time.value": 12.5, "mark-text.value": "cowl on", "mark-session.data": "lean"},
        "mark-add.n_clicks",
    )
    assert "Marked at" in json.dumps(answer)
    marks = [m for m in open_session(tmp_path / "lean").marks if m.kind == "operator"]
    assert [(m.time_s, m.text) for m in marks] == [(12.5, "cowl on")]
    assert own_app.server.config["EVENBURN"].analyst.ask("lean").phase == "done"  # not read again for it
    drawn = next(t for t in whole_picture(own_app)["data"] if t.get("name") == "marks")
    assert "0:12 operator: cowl on" in drawn["hovertext"]


@pytest.mark.parametrize(("time_s", "text"), [(None, "x"), (3, ""), ("3", "x"), (3, None)])
def test_a_mark_without_time_or_text_is_refused(app: Any, time_s: Any, text: Any) -> None:
    answer = call(
        app,
        ["mark-said.children"],
        {"mark-add.n_clicks": 1},
        {"mark-time.value": time_s, "mark-text.value": text, "mark-session.data": "lean"},
        "mark-add.n_clicks",
    )
    assert "Give the time" in json.dumps(answer)


def edit(app: Any, button: str, text: str, session: str = "lean") -> Any:
    return call(
        app,
        ["setup-said.children", "review-poll.disabled"],
        {},
        {"setup-text.value": text, "mark-session.data": session},
        f"{button}.n_clicks",
    )


def test_setup_is_checked_saved_and_the_session_analysed_again(own_app: Any, tmp_path: Path) -> None:
    analysed(own_app, "lean")
    samples = (tmp_path / "lean" / "main.csv").read_bytes()
    better = builders.setup_text("Harbour tug, corrected")
    assert "in order" in json.dumps(edit(own_app, "setup-check", better))
    assert (tmp_path / "lean" / "setup.toml").read_text(encoding="utf-8") == builders.setup_text()
    wrong = json.dumps(
        edit(own_app, "setup-save", better.replace("cylinders = [1, 3, 5, 7]", "cylinders = [1, 3, 5, 2]"))
    )
    assert "listed twice" in wrong and "saved" not in wrong.lower()
    saved = edit(own_app, "setup-save", better)
    assert saved["review-poll"]["disabled"] is False
    assert (tmp_path / "lean" / "setup.toml").read_text(encoding="utf-8") == better
    assert (tmp_path / "lean" / "setup.toml.1").read_text(encoding="utf-8") == builders.setup_text()
    assert (tmp_path / "lean" / "main.csv").read_bytes() == samples
    assert own_app.server.config["EVENBURN"].analyst.ask("lean").phase == "waiting"


def test_setup_of_a_session_elsewhere_cannot_be_written(own_app: Any, tmp_path: Path) -> None:
    outside = tmp_path.parent / "outside.toml"
    assert "no session named" in json.dumps(
        edit(own_app, "setup-save", builders.setup_text(), "../outside.toml")
    )
    assert not outside.exists()


def test_a_hostile_name_is_text_on_every_page(own_app: Any, tmp_path: Path) -> None:
    folder = tmp_path / HOSTILE
    folder.mkdir()
    (folder / "setup.toml").write_text(builders.setup_text(HOSTILE), encoding="utf-8")
    for module in PAGE_MODULES:
        tree = json.loads(shown(own_app, module, session=HOSTILE))
        assert "dangerously" not in json.dumps(tree)  # names are children or attributes, never markup
