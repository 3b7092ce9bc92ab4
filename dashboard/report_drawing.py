"""Scalable drawings as text: a few primitives and an axis, escaped by the XML library.

The same drawing goes into HTML and into the PDF; only the font's name differs. Lengths are drawing
units; a full page's width is 720 of them (about 0.25 mm each).
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from analysis.result import Balance

PAGE_WIDTH = 720.0
# told apart by dash and label, since a bank's cylinders share its colour
DASHES = ("none", "7 3", "2 2.5", "9 3 2 3")
TEXT_SIZE = 11.0
INK, GREY, FAINT, BAND = "#1a1a1a", "#5f5f5f", "#cfcfcf", "#eeeeee"
# dark on white for every kind of colour vision (WCAG 2.2, 1.4.11: 3:1 or more); never the only sign
BANK_COLOURS = ("#0072b2", "#b34700", "#3d3d3d", "#7a3e9d")


def printable(text: str) -> str:
    """`text` without control characters, which no XML document may hold."""
    return "".join(" " if unicodedata.category(c) in ("Cc", "Cs") else c for c in text)


class Drawing:
    """An SVG picture being drawn; `title` is what a screen reader says of it."""

    def __init__(self, width: float, height: float, title: str, font: str) -> None:
        self.width, self.height, self.title = width, height, title
        self._root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {width:g} {height:g}",
                "role": "img",
                "aria-label": printable(title),
                "font-family": font,
                "font-size": f"{TEXT_SIZE:g}",
                "fill": INK,
            },
        )

    def _add(self, tag: str, **attributes: str | float) -> ElementTree.Element:
        named = {
            key.rstrip("_").replace("_", "-"): f"{value:.2f}" if isinstance(value, float) else str(value)
            for key, value in attributes.items()
        }
        return ElementTree.SubElement(self._root, tag, named)

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        *,
        stroke: str = INK,
        width: float = 1.0,
        dash: str = "none",
    ) -> None:
        """A straight line."""
        self._add(
            "line",
            x1=float(x1),
            y1=float(y1),
            x2=float(x2),
            y2=float(y2),
            stroke=stroke,
            stroke_width=float(width),
            stroke_dasharray=dash,
        )

    def path(
        self, xs: Sequence[float], ys: Sequence[float], *, stroke: str, width: float = 1.0, dash: str = "none"
    ) -> None:
        """Line through the points; a NaN breaks it."""
        pieces, pen_down = [], False
        for x, y in zip(xs, ys, strict=True):
            if not (math.isfinite(x) and math.isfinite(y)):
                pen_down = False
                continue
            pieces.append(f"{'L' if pen_down else 'M'}{x:.1f} {y:.1f}")
            pen_down = True
        if pieces:
            self._add(
                "path",
                d="".join(pieces),
                fill="none",
                stroke=stroke,
                stroke_width=float(width),
                stroke_linejoin="round",
                stroke_dasharray=dash,
            )

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        fill: str = BAND,
        stroke: str = "none",
        dash: str = "none",
    ) -> None:
        """A rectangle."""
        self._add(
            "rect",
            x=float(x),
            y=float(y),
            width=float(max(width, 0)),
            height=float(max(height, 0)),
            fill=fill,
            stroke=stroke,
            stroke_dasharray=dash,
        )

    def dot(self, x: float, y: float, radius: float, *, colour: str, filled: bool) -> None:
        """A round point, filled or hollow."""
        self._add(
            "circle",
            cx=float(x),
            cy=float(y),
            r=float(radius),
            fill=colour if filled else "#ffffff",
            stroke=colour,
            stroke_width=1.6,
        )

    def polygon(self, points: Iterable[tuple[float, float]], *, colour: str, filled: bool) -> None:
        """A closed shape."""
        self._add(
            "polygon",
            points=" ".join(f"{x:.1f},{y:.1f}" for x, y in points),
            fill=colour if filled else "#ffffff",
            stroke=colour,
            stroke_width=1.4,
        )

    def text(
        self,
        x: float,
        y: float,
        said: str,
        *,
        anchor: str = "start",
        size: float = TEXT_SIZE,
        fill: str = INK,
        bold: bool = False,
    ) -> None:
        """One line of text; `y` is its baseline."""
        node = self._add(
            "text",
            x=float(x),
            y=float(y),
            text_anchor=anchor,
            font_size=float(size),
            fill=fill,
            font_weight="bold" if bold else "normal",
        )
        node.text = printable(said)

    def svg(self) -> str:
        """The picture as text."""
        return ElementTree.tostring(self._root, encoding="unicode")


def nice_ticks(low: float, high: float, at_most: int = 7) -> list[float]:
    """Round values (1, 2 or 5 times a power of ten apart) within [low, high], at most `at_most`."""
    if not high > low:
        return [low]
    rough = (high - low) / max(at_most - 1, 1)
    scale = 10.0 ** math.floor(math.log10(rough))
    step = next(m * scale for m in (1, 2, 5, 10) if m * scale >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 10) for i in range(first, math.floor(high / step + 1e-9) + 1)]


def tick_label(value: float) -> str:
    """A tick's value, with a true minus sign."""
    return f"{value:g}".replace("-", "−")


def spread_apart(wanted: Sequence[float], apart: float, within: tuple[float, float]) -> list[float]:
    """Positions near `wanted`, in the same order, no two closer than `apart`: for labels at line ends.

    They stay `within` (least, greatest) as far as there is room for them all.
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    previous = -math.inf
    for i in order:
        placed[i] = previous = max(wanted[i], previous + apart)
    if not order:
        return placed
    shift = (sum(wanted) - sum(placed)) / len(placed)
    shift = max(min(shift, within[1] - placed[order[-1]]), within[0] - placed[order[0]])
    return [p + shift for p in placed]


@dataclass(frozen=True)
class Scale:
    """A straight scale: `low`..`high` in data onto `start`..`end` in drawing units."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def clipped(self, value: float) -> float:
        """As a call, but never outside the drawing area."""
        return self(min(max(value, self.low), self.high))


def bank_colour(balance: Balance, bank: str) -> str:
    """A bank's colour; shape, row and label say the same without it."""
    index = [b.bank for b in balance.banks].index(bank)
    return BANK_COLOURS[index % len(BANK_COLOURS)]
