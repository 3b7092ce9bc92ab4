"""The fitting guide: every number has a source, what can be computed agrees with tables, drawings are whole."""

from __future__ import annotations

import base64
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest

from daq.probe_immersion import cold_junction_share, conduction_error_K, wrong_cable_error_C
from dashboard.display import DARK, LIGHT, Colours
from dashboard.figures.fitting import DRAWINGS, TEXT_SIZE, WIDTH, description, drawing
from dashboard.fitting_guide import computed, fitting_guide
from dashboard.pages import fitting
from dashboard.server import close, create_app

SVG = "{http://www.w3.org/2000/svg}"


# wire or stem diameter mm, heat transfer W/m²K, conduction error K at 20 mm: references, section 10 (computed there for
# 1100 K gas, base at 700 K, conductivity 22 W/mK); half a unit of the printed number
@pytest.mark.parametrize(
    ("diameter_mm", "transfer", "error_K"),
    [(1.0, 753, 0.5), (1.5, 355, 13), (1.5, 615, 3), (3.0, 251, 67), (3.0, 435, 31), (4.76, 345, 80)],
)
def test_conduction_error_is_that_of_the_table(diameter_mm: float, transfer: float, error_K: float) -> None:
    tolerance_K = 0.06 if error_K < 1 else 0.6
    assert conduction_error_K(20.0, diameter_mm, transfer) == pytest.approx(error_K, rel=0, abs=tolerance_K)


def test_a_stem_that_stands_nowhere_reads_its_foot_and_a_long_one_the_gas() -> None:
    assert conduction_error_K(0.0, 3.0, 435.0) == pytest.approx(400.0, rel=0, abs=1e-9)
    assert conduction_error_K(100.0, 3.0, 435.0) < 0.001


def test_wrong_cables_by_the_published_table() -> None:
    """NIST: 29.129 mV at 700 °C, 2.436 at 60, 1.000 at 25; 28.079 at 675 and 27.025 at 650; 41.9 µV/K at 700 °C."""
    # copper: 29.129 − 1.436 = 27.693 mV, which lies (28.079 − 27.693)/(28.079 − 27.025)·25 = 9.2 °C below 675 °C
    assert wrong_cable_error_C(700.0, 60.0, 25.0, reversed_pair=False) == pytest.approx(-34.2, rel=0, abs=0.2)
    # turned round: 29.129 − 2.872 = 26.257 mV; NIST has 25.967 at 625 °C
    turned_C = 625.0 + 25.0 * (26.257 - 25.967) / (27.025 - 25.967)
    assert wrong_cable_error_C(700.0, 60.0, 25.0, reversed_pair=True) == pytest.approx(
        turned_C - 700, rel=0, abs=0.2
    )
    assert wrong_cable_error_C(700.0, 25.0, 25.0, reversed_pair=True) == pytest.approx(0.0, rel=0, abs=0.001)


@pytest.mark.parametrize(("t_C", "share"), [(600.0, 0.953), (800.0, 0.988), (900.0, 1.013)])
def test_cold_junction_share_is_that_of_the_reference(t_C: float, share: float) -> None:
    assert cold_junction_share(t_C) == pytest.approx(share, rel=0, abs=0.0006)


def test_every_piece_of_advice_names_its_source_and_no_number_is_left_open() -> None:
    guide = fitting_guide()
    pieces = [advice for section in guide.sections for advice in section.advice]
    assert len(pieces) > 30
    for advice in pieces:
        assert len(advice.source) > 10
        assert not re.search(r"[{}]", advice.text)
    for number in ("31 K", "34 °C low", "68 °C low", "0.95 to 1.01", "±2.5 °C", "77 lines"):
        assert any(number in advice.text for advice in pieces), number
    practice = [advice for advice in pieces if advice.source == "common practice, no published source"]
    assert 0 < len(practice) < len(pieces)


def test_it_says_all_that_a_fitter_has_to_know() -> None:
    guide = fitting_guide()
    text = " ".join(advice.text for section in guide.sections for advice in section.advice).lower()
    for subject in (
        "same distance", "same depth", "room to pull", "m8", "compression fitting", "kx", "green", "ground", "isolated",
        "terminal block", "lambda", "samples a second", "cold soak", "warm-up", "weld", "battery",
    ):  # fmt: skip
        assert subject in text, subject
    assert any("burn" in caution for caution in guide.cautions)
    assert any("local codes" in caution for caution in guide.cautions)


def test_the_computed_numbers_are_all_used() -> None:
    source = (Path(fitting.__file__).parent.parent / "templates" / "fitting_guide.toml").read_text("utf-8")
    assert set(re.findall(r"\{(\w+)\}", source)) == set(computed())


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("name", DRAWINGS)
def test_a_drawing_is_whole_and_its_words_stay_inside(name: str, colours: Colours) -> None:
    root = ElementTree.fromstring(drawing(name, colours))
    left, top, width, height = map(float, root.attrib["viewBox"].split())
    assert (left, top, width) == (0.0, 0.0, WIDTH)
    words = root.findall(f"{SVG}text")
    assert words and len(description(name)) > 40
    for word in words:
        x, y, text = float(word.attrib["x"]), float(word.attrib["y"]), word.text or ""
        assert TEXT_SIZE * 0.7 < y < height
        wide = 0.58 * TEXT_SIZE * len(text)  # a wide font; measured in the browser it is less
        start = {"start": x, "middle": x - wide / 2, "end": x - wide}[word.attrib["text-anchor"]]
        assert start >= -4 and start + wide <= WIDTH + 4, text
    colour = {shape.attrib["stroke"] for shape in root.findall(f"{SVG}path")}
    assert colour & {colours.ink, colours.banks[0], colours.banks[1]}


def test_every_drawing_is_used_once() -> None:
    used = [section.drawing for section in fitting_guide().sections if section.drawing]
    assert sorted(used) == sorted(DRAWINGS)


def test_the_page_is_served_with_its_drawings(tmp_path: Path) -> None:
    app: Any = create_app(tmp_path)
    try:
        with app.server.test_request_context("/fitting", base_url="http://127.0.0.1:8050"):
            tree = str(fitting.layout().to_plotly_json())
        client = app.server.test_client()
        assert client.get("/fitting", base_url="http://127.0.0.1:8050").status_code == 200
    finally:
        close(app)
    pictures = re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", tree)
    assert len(pictures) == len(DRAWINGS)
    for picture in pictures:
        ElementTree.fromstring(base64.b64decode(picture))
    assert "common practice, no published source" in tree
