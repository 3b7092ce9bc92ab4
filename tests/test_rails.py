"""The picture of the rails without a browser: every bead and whisker lies where its number says."""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.etree import ElementTree

import builders
import numpy as np
import pytest

from dashboard.display import LIGHT, Display
from dashboard.figures.rails import (
    Bead,
    Picture,
    Rail,
    deviation_rails,
    offset_rails,
    predicted_rails,
    rails_picture,
)

RAIL = {"title": "fuel offset", "unit": "%", "least": 2.0}
SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Drawn:
    """A bead as the reader sees it: what it says of itself, and what the scale beside it says."""

    value: float
    half: float
    filled: bool
    label: str
    outline: str


def number(text: str) -> float:
    return float(text.replace("−", "-").replace("+", ""))


def groups(picture: Picture) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(picture.svg).iter(f"{SVG}svg"))[1:]


def words(group: ElementTree.Element) -> str:
    return " ".join("".join(text.itertext()) for text in group.iter(f"{SVG}text"))


def beads(picture: Picture, *, stacked_height: float | None = None) -> dict[int, Drawn]:
    """Read back from the picture with the values that its own scale has beside its lines."""
    ticks = [
        (float(group.attrib["y"]), number(words(group)))
        for group in groups(picture)
        if re.fullmatch(r"[−]?[0-9.]+", words(group))
    ]
    found = {}
    for group in groups(picture):
        if "data-cylinder" not in group.attrib:
            continue
        y = float(group.attrib["y"])
        near = [t for t in ticks if stacked_height is None or t[0] // stacked_height == y // stacked_height]
        value_of_y = np.polyfit(*zip(*near, strict=True), 1)
        whisker = group.find(f"{SVG}path")
        ends = [0.0, 0.0]
        if whisker is not None:
            ends = [float(end) for end in re.findall(r"M-5 (\S+?)h10", whisker.attrib["d"])]
        shapes = group.findall(f"{SVG}circle") + group.findall(f"{SVG}polygon")
        assert len(shapes) == 1
        found[int(group.attrib["data-cylinder"])] = Drawn(
            float(np.polyval(value_of_y, y)),
            float(ends[1] - ends[0]) / 2 * -float(value_of_y[0]),
            shapes[0].attrib["fill"] != LIGHT.paper,
            words(group),
            shapes[0].attrib.get("points", "circle"),
        )
    return found


@pytest.mark.parametrize("name", builders.CASES)
@pytest.mark.parametrize("narrow", [False, True])
def test_every_rail_of_every_case_is_valid_svg_without_nan_text(name: str, narrow: bool) -> None:
    trims, _ = builders.CASES[name]()
    balance, display = trims.balance, Display(dark=True, fahrenheit=True, narrow=narrow)
    for rails in (offset_rails(balance), deviation_rails(balance, display), predicted_rails(trims)):
        picture = rails_picture(rails, display, **RAIL)
        drawn = [g.attrib["data-cylinder"] for g in groups(picture) if "data-cylinder" in g.attrib]
        assert sorted(map(int, drawn)) == sorted(c.cylinder for c in balance.cylinders)
        assert "nan" not in picture.svg.lower()


@pytest.mark.parametrize("narrow", [False, True])
def test_beads_and_whiskers_lie_at_their_numbers_on_the_scale(narrow: bool) -> None:
    trims, _ = builders.lean()
    picture = rails_picture(offset_rails(trims.balance), Display(narrow=narrow), **RAIL)
    drawn = beads(picture, stacked_height=300.0 if narrow else None)
    for entry in trims.balance.cylinders:
        assert drawn[entry.cylinder].value == pytest.approx(entry.fuel_offset_percent, abs=0.01)
        assert drawn[entry.cylinder].half == pytest.approx(entry.fuel_offset_u95_percent, abs=0.01)
        said = f"{entry.fuel_offset_percent:+.1f}".replace("-", "−")
        assert said in drawn[entry.cylinder].label
    assert {drawn[c].outline for c in (1, 3, 5, 7)}.isdisjoint(drawn[c].outline for c in (2, 4, 6, 8))


def test_a_cylinder_that_cannot_be_told_says_so_in_words() -> None:
    trims, _ = builders.faulty_probe()
    picture = rails_picture(offset_rails(trims.balance), Display(), **RAIL)
    drawn = beads(picture)
    assert [c for c, bead in drawn.items() if "cannot tell" in bead.label] == [4]
    assert not drawn[4].filled and drawn[4].half == 0
    assert "cylinder 4: cannot tell (probe fault)" in picture.words


def test_what_is_beyond_a_fixed_scale_stays_inside_the_picture() -> None:
    trims, _ = builders.lean()
    picture = rails_picture(offset_rails(trims.balance), Display(), limit=2.0, **RAIL)
    drawn = beads(picture)
    assert min(bead.value for bead in drawn.values()) == pytest.approx(-2.0, abs=0.01)  # 4.2 % lean
    for group in groups(picture):
        for text in group.iter(f"{SVG}text"):
            if "data-cylinder" in group.attrib:
                assert 0 < float(group.attrib["y"]) + float(text.attrib["y"]) < picture.height


def test_deviations_are_shown_in_the_readers_unit() -> None:
    trims, _ = builders.lean()
    celsius, fahrenheit = (
        beads(rails_picture(deviation_rails(trims.balance, display), display, **RAIL))
        for display in (Display(), Display(fahrenheit=True))
    )
    assert fahrenheit[5].value == pytest.approx(1.8 * celsius[5].value, rel=0.01)


def test_followed_cylinder_alone_is_filled() -> None:
    trims, _ = builders.lean()
    drawn = beads(rails_picture(offset_rails(trims.balance), Display(), followed=5, **RAIL))
    assert [cylinder for cylinder, bead in drawn.items() if bead.filled] == [5]


@pytest.mark.parametrize("banks", [1, 2, 4])
def test_neighbours_of_any_engine_have_their_own_place(banks: int) -> None:
    rails = [
        Rail(f"b{index}", index, tuple(Bead(4 * index + k, 0.5, 0.2) for k in range(4)))
        for index in range(banks)
    ]
    picture = rails_picture(rails, Display(), **RAIL)
    x = [float(g.attrib["x"].rstrip("%")) for g in groups(picture) if "data-cylinder" in g.attrib]
    assert len(x) == 4 * banks and min(np.diff(x)) > 4.9 and x[0] > 0 and x[-1] < 100
    assert len({bead.outline for bead in beads(picture).values()}) == banks  # never colour alone


def test_a_bank_may_have_any_name() -> None:
    picture = rails_picture([Rail('<b>"&\x07', 0, (Bead(1, 0.0),))], Display(), **RAIL)
    assert any(words(group) == 'bank <b>"& ' for group in groups(picture))
