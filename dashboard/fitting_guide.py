"""The fitting guide: its text is in templates/fitting_guide.toml, what can be computed in it is computed here."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from daq.probe_immersion import cold_junction_share, conduction_error_K, wrong_cable_error_C
from daq.tolerance import tolerance_C

TEXT = Path(__file__).parent / "templates" / "fitting_guide.toml"
LINE_CHARACTERS = 148  # of 24 columns with their digits and a checksum


@dataclass(frozen=True)
class Advice:
    """One piece of advice and where it comes from."""

    text: str
    source: str


@dataclass(frozen=True)
class Section:
    """A heading, the name of the drawing that belongs to it ('' for none), and what to do."""

    title: str
    drawing: str
    advice: tuple[Advice, ...]


@dataclass(frozen=True)
class Guide:
    """Cautions first, then the sections in the order of the work."""

    cautions: tuple[str, ...]
    sections: tuple[Section, ...]


@cache
def fitting_guide() -> Guide:
    """The guide with its numbers and its sources spelled out."""
    tree = tomllib.loads(TEXT.read_text(encoding="utf-8"))
    numbers = computed()
    sections = tuple(
        Section(
            title=section["title"],
            drawing=section.get("drawing", ""),
            advice=tuple(
                Advice(advice["text"].format(**numbers), tree["sources"][advice["source"]])
                for advice in section["advice"]
            ),
        )
        for section in tree["section"]
    )
    return Guide(tuple(tree["cautions"]), sections)


def computed() -> dict[str, str]:
    """The numbers that stand in braces in the text; heat transfer as in `daq.probe_immersion`."""
    copper_C = wrong_cable_error_C(700.0, 60.0, 25.0, reversed_pair=False)
    reversed_C = wrong_cable_error_C(700.0, 60.0, 25.0, reversed_pair=True)
    least, most = sorted((cold_junction_share(600.0), cold_junction_share(900.0)))
    return {
        "error_20mm_K": f"{conduction_error_K(20.0, 3.0, 435.0):.0f}",
        "error_25mm_K": f"{conduction_error_K(25.0, 3.0, 435.0):.0f}",
        "error_thin_K": f"{conduction_error_K(20.0, 1.5, 615.0):.0f}",
        "copper_C": f"{-copper_C:.0f}",
        "reversed_C": f"{-reversed_C:.0f}",
        "share_least": f"{least:.2f}",
        "share_most": f"{most:.2f}",
        "class_2_cold_C": f"{tolerance_C('iec-2', 20.0):.1f}",
        "class_2_hot_C": f"{tolerance_C('iec-2', 800.0):.0f}",
        "lines_per_s": f"{115200 // (10 * LINE_CHARACTERS)}",
    }
