"""One rail per bank: each cylinder a bead with its whisker, above or below the line that is its bank's mean.

An even engine is a row of beads on a straight line. Drawn as SVG of our own: it takes a browser a few milliseconds,
where a plotly figure takes it a tenth of a second, and says in words to a screen reader what it shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from analysis.result import Balance, Trims
from dashboard.display import Display, signed
from dashboard.figures.style import FONT, bank_colour, is_faint, nice_limit, shape
from dashboard.report_drawing import nice_ticks, printable, tick_label
from dashboard.wording import FINDING_WORDS

HEIGHT, STACKED_HEIGHT, HEAD, FOOT, MARGIN = 380, 300, 36, 6, 12
RADIUS = 12.5
# of the same area as the circle, around their middle
OUTLINES = {
    "square": "-11.5,-11.5 11.5,-11.5 11.5,11.5 -11.5,11.5",
    "diamond": "0,-15.5 15.5,0 0,15.5 -15.5,0",
    "hexagon": "-7,-12 7,-12 14,0 7,12 -7,12 -14,0",
}
MOST_ON_ONE_LINE = (
    12  # cylinders side by side whose labels have room for value and interval beside each other
)


@dataclass(frozen=True)
class Bead:
    """A cylinder on its rail. `value` None: nothing can be said, drawn as an empty bead on the line with `note`."""

    cylinder: int
    value: float | None
    u95: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Rail:
    """A bank's beads in the order of its cylinders, with the bank's place (for colour and shape)."""

    bank: str
    index: int
    beads: tuple[Bead, ...]


@dataclass(frozen=True)
class Picture:
    """A drawing as wide as its place: SVG text, its height in pixels, and the same in words."""

    svg: str
    height: int
    words: str

    def _repr_svg_(self) -> str:
        """What a notebook shows."""
        return self.svg


def offset_rails(balance: Balance) -> list[Rail]:
    """Fuel offsets [%] of a balance."""
    return [
        Rail(
            bank.bank,
            index,
            tuple(
                Bead(c.cylinder, c.fuel_offset_percent, c.fuel_offset_u95_percent, FINDING_WORDS[c.finding])
                for c in balance.cylinders
                if c.bank == bank.bank
            ),
        )
        for index, bank in enumerate(balance.banks)
    ]


def deviation_rails(balance: Balance, display: Display) -> list[Rail]:
    """Temperature deviations of a balance in the reader's unit."""
    return [
        Rail(
            bank.bank,
            index,
            tuple(
                Bead(
                    c.cylinder,
                    _shown(c.egt_deviation_C, display),
                    _shown(c.egt_deviation_u95_C, display),
                    FINDING_WORDS[c.finding],
                )
                for c in balance.cylinders
                if c.bank == bank.bank
            ),
        )
        for index, bank in enumerate(balance.banks)
    ]


def predicted_rails(trims: Trims) -> list[Rail]:
    """Fuel offsets [%] as predicted after the step; the interval stays that of the offset as found."""
    found = {c.cylinder: c for c in trims.balance.cylinders}
    return [
        Rail(
            bank.bank,
            index,
            tuple(
                Bead(
                    t.cylinder,
                    t.predicted_offset_percent,
                    found[t.cylinder].fuel_offset_u95_percent,
                    t.reason,
                )
                for t in trims.cylinders
                if t.bank == bank.bank
            ),
        )
        for index, bank in enumerate(trims.balance.banks)
    ]


def rails_picture(
    rails: Sequence[Rail],
    display: Display,
    *,
    title: str,
    unit: str,
    least: float,
    band: float | None = None,
    limit: float | None = None,
    followed: int | None = None,
) -> Picture:
    """Rails side by side (on a narrow screen one above the other) on one common scale.

    least: the scale reaches at least ±`least`. band: half width of the grey band, e.g. the trim threshold.
    limit: fix the scale so that two pictures can be compared. followed: the cylinder to bring forward.
    """
    ends = [abs(b.value) + (b.u95 or 0) for rail in rails for b in rail.beads if b.value is not None]
    reach = limit if limit is not None else nice_limit(ends, least)
    stacked = display.narrow
    height = STACKED_HEIGHT * len(rails) if stacked else HEIGHT
    words = f"{title} [{unit}]. {' '.join(_spoken(rail, unit) for rail in rails)}"
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": "100%",
            "height": str(height),
            "role": "img",
            "aria-label": printable(words),
            "font-family": FONT,
            "fill": display.colours.ink,
        },
    )
    # across in percent of the width, whatever that is; up and down in pixels
    left, gap = (16.0, 0.0) if stacked else (7.5, 2.0)
    most = max((len(rail.beads) for rail in rails), default=1)
    count = most if stacked else sum(len(rail.beads) for rail in rails)
    slot = (100.0 - left - gap * (len(rails) - 1)) / max(1, count)
    stage = _Stage(root, display, reach, slot, one_line=not stacked and count <= MOST_ON_ONE_LINE)
    x = left
    for place, rail in enumerate(rails):
        top = STACKED_HEIGHT * place if stacked else 0
        bottom = top + (STACKED_HEIGHT if stacked else HEIGHT) - FOOT
        frame = _Frame(x, x + slot * len(rail.beads), top + HEAD, bottom)
        stage.scale(frame, band, named=stacked or place == 0)
        stage.rail(frame, rail, followed)
        if stacked or place == 0:
            stage.axis_title(frame, f"{title} [{unit}]")
        if not stacked:
            x = frame.right + gap
    return Picture(ElementTree.tostring(root, encoding="unicode"), height, words)


@dataclass(frozen=True)
class _Frame:
    """Where a rail is drawn: left and right in percent of the width, top and bottom in pixels."""

    left: float
    right: float
    top: float
    bottom: float


@dataclass(frozen=True)
class _Stage:
    """What all rails of a picture share."""

    root: ElementTree.Element
    display: Display
    reach: float
    slot: float
    one_line: bool

    def y(self, frame: _Frame, value: float) -> float:
        """Pixels from the top at which a value lies; what is beyond the scale stays at its end."""
        half = (frame.bottom - frame.top) / 2
        share = max(-1.0, min(1.0, value / self.reach))
        return frame.top + half - share * (half - MARGIN)

    def scale(self, frame: _Frame, band: float | None, *, named: bool) -> None:
        """Band and lines of equal value, with their values where they are `named`."""
        colours = self.display.colours
        if band:
            top = self.y(frame, band)
            box = {"x": _percent(frame.left), "y": f"{top:.1f}", "width": _percent(frame.right - frame.left)}
            height = self.y(frame, -band) - top
            _add(self.root, "rect", **box, height=f"{height:.1f}", fill=colours.band)
        for tick in nice_ticks(-self.reach, self.reach):
            self._across(frame, tick, stroke=colours.grid)
            if named:
                own = _at(self.root, frame.left, self.y(frame, tick))
                _text(own, tick_label(tick), x="-8", y="5", text_anchor="end", font_size=self._size(15, 12))

    def axis_title(self, frame: _Frame, text: str) -> None:
        """What the scale is, along its left edge."""
        middle = _at(self.root, 0.0, (frame.top + frame.bottom) / 2)
        size = self._size(15, 12)
        _text(middle, text, transform="rotate(-90)", y="15", text_anchor="middle", font_size=size)

    def rail(self, frame: _Frame, rail: Rail, followed: int | None) -> None:
        """The bank's name, the line of its mean and its beads."""
        colour = bank_colour(rail.index, self.display)
        name = _at(self.root, (frame.left + frame.right) / 2, frame.top - 14)
        _text(name, f"bank {rail.bank}", text_anchor="middle", font_size=self._size(17, 15))
        self._across(frame, 0.0, stroke=colour, stroke_width="5", opacity="0.5")
        for place, bead in enumerate(rail.beads):
            x = frame.left + (place + 0.5) * self.slot
            filled = bead.value is not None and not is_faint(bead.cylinder, followed)
            self._bead(frame, x, bead, colour, shape(rail.index), filled=filled)

    def _bead(self, frame: _Frame, x: float, bead: Bead, colour: str, outline: str, *, filled: bool) -> None:
        colours = self.display.colours
        value, u95 = bead.value or 0.0, bead.u95 or 0.0
        middle = self.y(frame, value)
        group = _at(self.root, x, middle, data_cylinder=str(bead.cylinder))
        high, low = (self.y(frame, value + side * u95) - middle for side in (1, -1))
        if bead.value is not None and u95:
            path = f"M0 {high:.1f}V{low:.1f}M-5 {high:.1f}h10M-5 {low:.1f}h10"
            _add(group, "path", d=path, stroke=colours.ink, stroke_width="2.5", fill="none")
        look = {"fill": colour if filled else colours.paper, "stroke": colour, "stroke_width": "2.5"}
        if outline == "circle":
            _add(group, "circle", r=str(RADIUS), **look)
        else:
            _add(group, "polygon", points=OUTLINES[outline], **look)
        ink = colours.paper if filled else colours.ink
        number = {"text_anchor": "middle", "font_weight": "700", "font_size": "15", "fill": ink}
        _text(group, str(bead.cylinder), y="5.5", **number)
        self._label(group, frame, bead, min(high, -RADIUS) + middle, max(low, RADIUS) + middle, middle)

    def _label(
        self, group: ElementTree.Element, frame: _Frame, bead: Bead, high: float, low: float, middle: float
    ) -> None:
        """The value in figures beyond the whisker's end, on the side away from the rail."""
        interval = f"±{bead.u95:.1f}" if bead.u95 else ""
        if bead.value is None:
            lines = [[("cannot tell", "400")]] if self.one_line else [[("cannot", "400")], [("tell", "400")]]
        else:
            words = [(signed(bead.value, 1), "700"), (interval, "400")]
            lines = [words] if self.one_line else [[word] for word in words if word[0]]
        size = 16 if self.one_line else 13
        above = bead.value is None or bead.value >= 0
        first = high - 9 - size * (len(lines) - 1) if above else low + 3 + size
        least, most = frame.top + size - 4, frame.bottom - 3 - size * (len(lines) - 1)
        first = max(least, min(most, first)) - middle
        for number, parts in enumerate(lines):
            place = f"{first + number * size:.1f}"
            line = _add(group, "text", y=place, text_anchor="middle", font_size=str(size))
            for at, (text, weight) in enumerate(parts):
                _text(line, f" {text}" if at else text, tag="tspan", font_weight=weight)

    def _across(self, frame: _Frame, value: float, **look: str) -> None:
        y = f"{self.y(frame, value):.1f}"
        _add(self.root, "line", x1=_percent(frame.left), x2=_percent(frame.right), y1=y, y2=y, **look)

    def _size(self, wide: int, narrow: int) -> str:
        return str(narrow if self.display.narrow else wide)


def _at(root: ElementTree.Element, x_percent: float, y: float, **more: str) -> ElementTree.Element:
    """A group whose origin lies at a share of the width: a nested drawing, as only its place takes a percentage."""
    return _add(root, "svg", x=_percent(x_percent), y=f"{y:.1f}", overflow="visible", **more)


def _add(parent: ElementTree.Element, tag: str, **attributes: str) -> ElementTree.Element:
    named = {key.replace("_", "-"): value for key, value in attributes.items()}
    return ElementTree.SubElement(parent, tag, named)


def _text(parent: ElementTree.Element, text: str, *, tag: str = "text", **attributes: str) -> None:
    _add(parent, tag, **attributes).text = printable(text)


def _percent(share: float) -> str:
    return f"{share:.3f}%"


def _spoken(rail: Rail, unit: str) -> str:
    said = []
    for bead in rail.beads:
        interval = f" ± {bead.u95:.1f}" if bead.u95 else ""
        value = "cannot tell" if bead.value is None else f"{signed(bead.value, 1)}{interval} {unit}"
        said.append(f"cylinder {bead.cylinder}: {value}" + (f" ({bead.note})" if bead.note else ""))
    return f"Bank {rail.bank}: {'; '.join(said)}."


def _shown(value_C: float | None, display: Display) -> float | None:
    return None if value_C is None else float(display.difference(value_C))
