"""The trim report: its numbers and words in each form, and that no name can become code in any of them."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import builders
import numpy as np
import pypdf
import pytest

from analysis.published import trims_to_json
from analysis.result import Trims
from daq.physical import PhysicalTable
from daq.setupfile import parse_setup
from dashboard.report import CSV_COLUMNS, ReportError, spreadsheet_safe, trims_csv, write_reports
from dashboard.report_content import trims_document
from dashboard.report_document import HTML_FONT, Table, to_html, to_pdf
from dashboard.report_drawing import nice_ticks, spread_apart
from dashboard.report_pictures import offsets_picture, sweep_panels
from dashboard.report_session_picture import session_picture
from dashboard.session_files import session_files
from dashboard.wording import verdict

SVG = "{http://www.w3.org/2000/svg}"
Case = tuple[Trims, PhysicalTable]


class Words(HTMLParser):
    """All text of a page, and every tag with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def pdf_pages(pdf: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def case(name: str) -> Case:
    return builders.CASES[name]()


@pytest.fixture(params=list(builders.CASES))
def any_case(request: pytest.FixtureRequest) -> Case:
    return case(request.param)


def test_all_forms_say_the_same(any_case: Case, tmp_path: Path) -> None:
    trims, table = any_case
    paths = write_reports(trims, table, tmp_path)
    assert [path.name for path in paths] == ["trims.html", "trims.pdf", "trims.csv", "trims.json"]
    page = Words(paths[0].read_text(encoding="utf-8")).text
    first, *rest = pdf_pages(paths[1].read_bytes())
    rows = list(csv.DictReader(io.StringIO(paths[2].read_text(encoding="utf-8-sig"))))
    document = json.loads(paths[3].read_text(encoding="utf-8"))
    assert document == trims_to_json(trims)
    assert rest
    for said in (page, first):
        assert verdict(trims.balance) in said
        assert table.setup.engine.name in said
        assert trims.cautions[0][:40] in said
    for row, entry, step in zip(rows, document["cylinders"], trims.cylinders, strict=True):
        for column in CSV_COLUMNS:
            value = entry.get(column)
            if isinstance(value, float):
                assert float(row[column]) == value
            elif value is None:
                assert row[column] == ""
        assert row["really_set_percent"] == ""
        if step.trim_percent:
            shown = f"{step.trim_percent:+.1f}".replace("-", "−")
            assert shown in page and shown in first


def test_the_first_page_of_a_lean_cylinder() -> None:
    """Numbers as put into builders.lean: cylinder 5 is 4.2 ± 0.5 % lean and gets +3.0 %, a whole step."""
    trims, table = case("lean")
    document = trims_document(trims, table, None)
    shown = next(block for block in document.blocks if isinstance(block, Table))
    assert shown.rows[2][:7] == ("5", "port", "lean", "−4.2 ± 0.5", "+3.0", "+17.6 ± 7.9", "+5.3 ± 8.4")
    assert shown.columns[-1] == "Really set, %" and shown.rows[2][-1] == ""
    page = Words(to_html(document)).text
    assert "No cylinder is given more than 3 % or loses more than 1.5 % of its fuel in one step" in page
    assert "Bank port: the trims keep its mean fuel; spread 24 °C now, 12 ± 9 °C expected." in page
    assert "Bank starboard: nothing is changed." in page
    assert "Hottest reading of the session: 7" in page and "the setup's limit is 900 °C" in page
    assert "2400 rpm, 62 kPa" in page and "temperatures still rising after the start" in page
    assert "shift of the curves in the sweep" in page


def test_cannot_tell_is_as_clear_as_lean() -> None:
    trims, table = case("near-peak")
    document = trims_document(trims, table, None)
    page = Words(to_html(document)).text
    assert "Cannot tell: this session does not show how evenly the cylinders are fuelled." in page
    assert page.count("cannot tell") >= 8
    assert "where temperature says nothing about fuel" in page
    assert "Hold at lambda 0.85 for two minutes" in page
    shown = next(block for block in document.blocks if isinstance(block, Table))
    assert {row[3] for row in shown.rows} == {row[4] for row in shown.rows} == {"–"}


def test_trims_that_move_a_banks_mean_are_said_to() -> None:
    trims, table = case("single-bank")
    page = Words(to_html(trims_document(trims, table, None))).text
    assert "Bank all: the trims move its mean fuel by −0.4 %" in page


def test_a_faulty_probe_gets_no_trim_and_its_reason_on_the_first_page() -> None:
    trims, table = case("faulty-probe")
    first = pdf_pages(to_pdf(trims_document(trims, table, None)))[0]
    assert "4 starboard probe fault – – – –" in first
    assert "The probe read open circuit for 340 s of 400 s." in first


HOSTILE = '<script>alert("x")</script> &amp; #panic("x") *b* _i_ $x^2$ @ref `raw` \\u{41} [=1+1]'


def hostile_case() -> Case:
    trims, table = case("single-bank")
    name = HOSTILE.replace("\\", "\\\\").replace('"', '\\"')
    setup = parse_setup(
        builders.setup_text("X", {"all": (1, 2, 3, 4)}).replace('name = "X"', f'name = "{name}"')
    )
    reasons = tuple(dataclasses.replace(c, reasons=(HOSTILE,)) for c in trims.balance.cylinders)
    balance = dataclasses.replace(trims.balance, cylinders=reasons, next_steps=(HOSTILE,), session=HOSTILE)
    return dataclasses.replace(trims, balance=balance), dataclasses.replace(table, setup=setup, name=HOSTILE)


def test_no_name_becomes_markup() -> None:
    trims, table = hostile_case()
    document = trims_document(trims, table, None)
    page = Words(to_html(document))
    assert not {"script", "b", "img", "iframe", "link"} & {tag for tag, _ in page.tags}
    assert HOSTILE in page.text
    text = "".join(pdf_pages(to_pdf(document))).replace(" ", "")
    assert text.count(HOSTILE.replace(" ", "")) >= 3


def test_no_cell_becomes_a_formula() -> None:
    trims, _ = case("single-bank")
    evil = '=HYPERLINK("http://x")'
    cylinders = tuple(
        dataclasses.replace(c, bank=evil, reasons=("@SUM(1)",)) for c in trims.balance.cylinders
    )
    steps = tuple(dataclasses.replace(t, reason="\t+1") for t in trims.cylinders)
    changed = dataclasses.replace(
        trims, balance=dataclasses.replace(trims.balance, cylinders=cylinders), cylinders=steps
    )
    for row in csv.DictReader(io.StringIO(trims_csv(changed))):
        assert row["bank"] == "'" + evil
        assert row["reasons"] == "'@SUM(1)"
        assert row["trim_reason"] == "'\t+1"
        assert float(row["fuel_offset_percent"]) < 3  # numbers stay numbers, also negative ones


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@x", "\t=1", "\r=1", " =1", "＝1"])
def test_what_a_spreadsheet_would_run_is_neutralised(text: str) -> None:
    assert spreadsheet_safe(text) == "'" + text


def test_the_page_stands_alone() -> None:
    trims, table = case("lean")
    page = Words(to_html(trims_document(trims, table, None)))
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "img", "iframe", "object")
        assert not {"src", "href", "onload", "onclick"} & set(attributes)
    assert page.tags[0][0] == "html" and page.tags[0][1]["lang"] == "en"


def test_the_same_session_makes_the_same_bytes(tmp_path: Path) -> None:
    trims, table = case("faulty-probe")
    first = write_reports(trims, table, tmp_path / "a")
    second = write_reports(trims, table, tmp_path / "b")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    trims, table = case("even")
    (tmp_path / "trims.csv").write_text("mine")
    with pytest.raises(ReportError, match=r"trims\.csv is there already; use --force"):
        write_reports(trims, table, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["trims.csv"]
    assert (tmp_path / "trims.csv").read_text() == "mine"
    write_reports(trims, table, tmp_path, force=True)
    assert len(list(tmp_path.iterdir())) == 4
    assert (tmp_path / "trims.csv").read_text(encoding="utf-8-sig").startswith("cylinder,bank")


def test_a_report_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    trims, table = case("even")
    (tmp_path / "file").write_text("")
    with pytest.raises(ReportError, match="cannot be written") as caught:
        write_reports(trims, table, tmp_path / "file" / "below")
    assert "\n" not in str(caught.value)


def test_the_session_is_known_by_its_checksum(tmp_path: Path) -> None:
    trims, table = case("even")
    folder = tmp_path / "session"
    folder.mkdir()
    for name, content in (("main.csv", "host_s\n0\n"), ("main.2.csv", "host_s\n"), ("setup.toml", "x = 1\n")):
        (folder / name).write_text(content)
    (folder / "marks.jsonl").write_text("")
    (folder / "notes.txt").write_text("not part of the session")
    files = session_files(folder, table.setup)
    assert [name for name, _, _ in files.files] == ["main.2.csv", "main.csv", "marks.jsonl", "setup.toml"]
    document = trims_document(trims, table, files)
    assert files.checksum in Words(to_html(document)).text and "x = 1" in to_html(document)
    if shutil.which("sha256sum"):  # GNU coreutils agree
        names = [name for name, _, _ in files.files]
        listing = subprocess.run(["sha256sum", *names], cwd=folder, capture_output=True, check=True).stdout
        whole = subprocess.run(["sha256sum"], input=listing, capture_output=True, check=True).stdout
        assert whole.split()[0].decode() == files.checksum


def circles(svg: str) -> list[tuple[float, float]]:
    return [
        (float(c.get("cx", "")), float(c.get("cy", "")))
        for c in ElementTree.fromstring(svg).iter(f"{SVG}circle")
    ]


def test_dots_and_whiskers_stand_where_the_axis_says() -> None:
    trims, _ = case("lean")
    svg = offsets_picture(trims.balance, {}, 1.0, HTML_FONT)
    texts = ElementTree.fromstring(svg).iter(f"{SVG}text")
    ticks = {
        float((t.text or "").replace("−", "-")): float(t.get("x", ""))
        for t in texts
        if re.fullmatch(r"−?\d+", t.text or "")
    }
    slope = (ticks[2.0] - ticks[-2.0]) / 4.0
    dots = circles(svg)[: len(trims.balance.cylinders)]
    offsets = [c.fuel_offset_percent for c in trims.balance.cylinders]
    np.testing.assert_allclose(
        [x for x, _ in dots], [ticks[0.0] + slope * (o or 0) for o in offsets], atol=0.05
    )
    whiskers = [
        float(line.get("x2", "")) - float(line.get("x1", ""))
        for line in ElementTree.fromstring(svg).iter(f"{SVG}line")
        if line.get("stroke-width") == "2.20"
    ]
    np.testing.assert_allclose(whiskers, 2 * 0.5 * slope, atol=0.05)


def test_shifted_curves_fall_onto_one_another() -> None:
    """The builder's cylinders share one curve: 24 °C apart as measured, within the noise of 0.7 °C when shifted."""
    sweep = case("lean")[0].balance.sweeps[0]
    own_lambda, relative_C = sweep.shifted()
    on_curve = np.interp(own_lambda, sweep.curve_lambda, sweep.curve_C)
    inside = (own_lambda > sweep.curve_lambda[0]) & (own_lambda < sweep.curve_lambda[-1])
    assert np.abs(relative_C - on_curve)[inside].max() < 4 * 0.7
    assert np.ptp(sweep.egt_C, axis=1).max() > 20.0


@pytest.mark.parametrize(
    "draw",
    [
        lambda t, p: offsets_picture(t.balance, {}, t.threshold_percent, HTML_FONT),
        lambda t, p: sweep_panels(t.balance.sweeps, t.balance, HTML_FONT, panel_width=180, panel_height=150),
        lambda t, p: session_picture(p, t.balance, HTML_FONT),
    ],
)
def test_pictures_are_whole_and_inside_their_frame(
    draw: Callable[[Trims, PhysicalTable], str], any_case: Case
) -> None:
    root = ElementTree.fromstring(draw(*any_case))
    _, _, width, height = map(float, root.get("viewBox", "").split())
    for text in root.iter(f"{SVG}text"):
        assert 0 <= float(text.get("x", "")) <= width and 0 < float(text.get("y", "")) <= height, text.text
    assert "nan" not in ElementTree.tostring(root, encoding="unicode")


def test_a_session_without_readings_still_has_a_report() -> None:
    trims, table = case("near-peak")
    empty = dataclasses.replace(
        table,
        egt_C=np.full_like(table.egt_C, np.nan),
        lambda_by_bank={},
        rpm=None,
        load=None,
        time_s=table.time_s,
    )
    page = Words(to_html(trims_document(trims, empty, None))).text
    assert "No exhaust temperature was read" in page and "not in this session" in page


@pytest.mark.parametrize(
    ("low", "high"), [(-4.7, 4.7), (0.8, 1.08), (-3.0, 812.0), (0.0, 36000.0), (5.0, 5.0)]
)
def test_ticks_are_round_and_few(low: float, high: float) -> None:
    ticks = nice_ticks(low, high)
    assert 1 <= len(ticks) <= 7 and all(low <= tick <= high for tick in ticks)
    steps = np.diff(ticks)
    assert np.allclose(steps, steps[:1] if steps.size else 0)


def test_labels_keep_apart_in_their_order() -> None:
    placed = spread_apart([50.0, 50.5, 10.0, 51.0], 10.0, (0.0, 60.0))
    assert sorted(range(4), key=lambda i: placed[i]) == [2, 0, 1, 3]
    assert np.diff(sorted(placed)).min() >= 10.0 - 1e-9
    assert max(placed) <= 60.0
