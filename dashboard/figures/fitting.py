"""The drawings of the fitting guide as SVG text: plain lines, drawn small enough for a phone to show them whole."""

from __future__ import annotations

from collections.abc import Callable
from xml.sax.saxutils import escape

from dashboard.display import Colours
from dashboard.figures.style import FONT

WIDTH = 400
TEXT_SIZE = 15
IEC_PLUS, IEC_MINUS = "#1a8a3c", "#ffffff"  # the conductors of a type K cable (IEC 60584-3)


class _Pen:
    """Collects shapes in one theme's colours."""

    def __init__(self, colours: Colours) -> None:
        self.colours = colours
        self._shapes: list[str] = []

    def path(
        self, d: str, width: float = 2.0, colour: str | None = None, fill: str = "none", dash: str = ""
    ) -> None:
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        stroke = colour or self.colours.ink
        self._shapes.append(
            f'<path d="{d}" fill="{fill}" stroke="{stroke}" stroke-width="{width}"{dashes} stroke-linejoin="round" '
            'stroke-linecap="round"/>'
        )

    def circle(self, x: float, y: float, r: float, colour: str, fill: str | None = None) -> None:
        self._shapes.append(
            f'<circle cx="{x}" cy="{y}" r="{r}" fill="{fill or colour}" stroke="{colour}" stroke-width="2"/>'
        )

    def text(self, x: float, y: float, words: str, anchor: str = "middle", bold: bool = False) -> None:
        weight = ' font-weight="700"' if bold else ""
        self._shapes.append(
            f'<text x="{x}" y="{y}" text-anchor="{anchor}" font-size="{TEXT_SIZE}"{weight} fill="{self.colours.ink}">'
            f"{escape(words)}</text>"
        )

    def arrow(self, x0: float, y0: float, x1: float, y1: float, both: bool = False) -> None:
        """A horizontal or vertical arrow."""
        self.path(f"M{x0} {y0}L{x1} {y1}", 1.5)
        self._head(x1, y1, x1 - x0, y1 - y0)
        if both:
            self._head(x0, y0, x0 - x1, y0 - y1)

    def _head(self, x: float, y: float, dx: float, dy: float) -> None:
        length = max(abs(dx), abs(dy))
        ux, uy = 7 * dx / length, 7 * dy / length
        self.path(
            f"M{x - ux - uy / 2} {y - uy + ux / 2}L{x} {y}L{x - ux + uy / 2} {y - uy - ux / 2}Z",
            1,
            fill=self.colours.ink,
        )

    def right(self, x: float, y: float) -> None:
        self.path(f"M{x} {y}l6 7l12 -16", 3.5)

    def wrong(self, x: float, y: float) -> None:
        self.path(f"M{x} {y - 8}l14 14m0 -14l-14 14", 3.5)

    def done(self, height: int) -> str:
        font = escape(FONT, {'"': "'"})
        head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="{font}">'
        return f"{head}{''.join(self._shapes)}</svg>"


def _runners(pen: _Pen) -> str:
    hot, places = pen.colours.banks[1], (106, 190, 274, 358)
    pipes = [f"M{x} 74V142Q{x} 186 {230 + (x - 232) * 0.1:.0f} 236" for x in places]
    pipes.append("M232 228V330")
    for width, colour in ((30.0, pen.colours.ink), (26.0, pen.colours.paper)):
        for place, d in enumerate(pipes):
            pen.path(d, width + (18 if place == len(pipes) - 1 else 0), colour)
    for fill in (pen.colours.paper, pen.colours.band):
        pen.path("M64 30H396V74H64Z", fill=fill)
    pen.text(230, 58, "cylinder head, exhaust side")
    for number, x in enumerate(places, start=1):
        pen.path(f"M{x + 34} 118H{x + 2}", 4, hot)
        pen.circle(x + 2, 118, 4, hot)
        pen.text(x, 24, str(number), bold=True)
    pen.path("M290 276L240 286", 6, pen.colours.banks[0])
    pen.circle(240, 286, 5, pen.colours.banks[0])
    pen.text(296, 274, "lambda:", "start")
    pen.text(296, 293, "behind the", "start")
    pen.text(296, 312, "junction", "start")
    pen.arrow(40, 74, 40, 118, both=True)
    pen.path("M30 118H104M30 74H64", 1, dash="4 4")
    pen.text(6, 144, "the same", "start", bold=True)
    pen.text(6, 163, "on all", "start", bold=True)
    return pen.done(330)


def _depth(pen: _Pen) -> str:
    hot = pen.colours.banks[1]
    for x, tip, good, words in (
        (70, 150, True, "middle"),
        (200, 110, False, "too short"),
        (330, 192, False, "touches"),
    ):
        pen.path(f"M{x - 50} 100V200M{x + 50} 100V200", 5)
        pen.path(f"M{x - 50} 100H{x + 50}M{x - 50} 200H{x + 50}", 5)
        pen.path(f"M{x - 13} 98V76H{x + 13}V98", 2, fill=pen.colours.band)
        pen.path(f"M{x - 9} 76V58H{x + 9}V76", 2, fill=pen.colours.paper)
        pen.path(f"M{x} 36V{tip}", 6, hot)
        pen.circle(x, tip, 4, hot)
        pen.text(x, 234, words, bold=good)
        (pen.right if good else pen.wrong)(x - 8, 262)
    pen.path("M20 150H120", 1, dash="4 4")
    pen.text(28, 30, "cable", "start")
    pen.text(98, 90, "boss", "start")
    return pen.done(276)


def _cable(pen: _Pen) -> str:
    pen.path("M16 60H96", 8, pen.colours.banks[1])
    pen.circle(18, 60, 5, pen.colours.banks[1])
    pen.path("M96 40H150V80H96Z", fill=pen.colours.band)
    pen.path("M150 50H300M150 70H300", 8, pen.colours.ink)
    pen.path("M151 50H299", 5, IEC_PLUS)
    pen.path("M151 70H299", 5, IEC_MINUS)
    pen.path("M300 34H386V86H300Z", fill=pen.colours.band)
    pen.text(56, 42, "probe")
    pen.text(123, 102, "plug of the")
    pen.text(123, 120, "same metals")
    pen.text(225, 40, "+ green")
    pen.text(225, 93, "− white")
    pen.text(314, 56, "+", bold=True)
    pen.text(314, 76, "−", bold=True)
    pen.text(343, 106, "terminals")
    pen.right(16, 154)
    pen.text(46, 156, "KX cable, plus on plus", "start")
    pen.wrong(18, 184)
    pen.text(46, 186, "copper: low by the joint's warmth", "start")
    pen.wrong(18, 214)
    pen.text(46, 216, "turned round: low by twice that", "start")
    return pen.done(230)


def _terminals(pen: _Pen) -> str:
    pen.path("M60 30H340V150H60Z", 2, dash="7 5")
    pen.text(200, 22, "cover: no draught, no sun")
    pen.path("M80 118H320V138H80Z", fill=pen.colours.band)
    for x in range(100, 320, 40):
        pen.path(f"M{x - 12} 72H{x + 12}V118H{x - 12}Z", fill=pen.colours.paper)
    pen.circle(200, 128, 7, pen.colours.banks[0])
    pen.arrow(200, 190, 200, 140)
    pen.text(200, 208, "temperature sensor in the middle")
    pen.arrow(290, 168, 290, 140)
    pen.text(296, 182, "thick metal plate")
    return pen.done(220)


def _ground(pen: _Pen) -> str:
    hot = pen.colours.banks[1]
    for y, insulated in ((20, False), (180, True)):
        pen.path(f"M16 {y + 10}H116V{y + 110}H16Z", fill=pen.colours.band)
        pen.text(58, y + 66, "engine")
        pen.path(f"M276 {y + 10}H384V{y + 110}H276Z", fill=pen.colours.paper)
        pen.text(338, y + 66, "instrument")
        for row in (y + 32, y + 82):
            pen.path(f"M116 {row}H276", 3, hot)
            pen.circle(116, row, 6, hot, pen.colours.paper if insulated else hot)
        if insulated:
            pen.right(180, y + 62)
            pen.text(196, y + 132, "insulated junctions: no way round")
        else:
            pen.path(f"M104 {y + 41}H290V{y + 73}H104Z", 2, dash="6 5")
            pen.wrong(190, y + 60)
            pen.text(196, y + 132, "grounded junctions: a loop for currents")
    return pen.done(322)


def _lambda(pen: _Pen) -> str:
    pen.circle(200, 140, 80, pen.colours.ink, pen.colours.band)
    pen.path("M60 140H340", 1.5, pen.colours.faint_ink, dash="5 5")
    pen.path("M200 140L339 115.5M200 140L61 115.5", 1.5, pen.colours.faint_ink, dash="5 5")
    pen.path("M237 76L262 33", 9, pen.colours.banks[0])
    pen.path("M226 96L237 76", 5, pen.colours.banks[0])
    pen.path("M262 33Q272 12 300 14", 3, pen.colours.banks[0])
    pen.text(200, 122, "sensor in here")
    pen.text(344, 108, "10°", "start")
    pen.text(346, 146, "level", "start")
    pen.path("M150 202Q200 232 250 202", 3, pen.colours.banks[1])
    pen.text(200, 196, "water")
    pen.text(200, 250, "at least 10° above the level, cable up")
    return pen.done(262)


def _soak(pen: _Pen) -> str:
    pen.path("M40 20V210H390", 2)
    pen.text(44, 18, "°C", "start")
    pen.text(388, 230, "time", "end")
    for place, x in enumerate((150, 190, 230)):
        colour = pen.colours.banks[place % 2]
        pen.path(f"M40 {192 - place}H{x}q10 -46 16 -44q12 20 22 40L280 {192 - place}", 2.5, colour)
        pen.path(f"M280 {192 - place}C300 90 330 {66 + 14 * place} 388 {60 + 14 * place}", 2.5, colour)
    for x, words in ((40, "cold soak"), (130, "warm each port"), (270, "start, warm up")):
        pen.path(f"M{x} 40V210", 1, pen.colours.faint_ink, dash="4 4")
        pen.text(x + 4, 40, words, "start")
    pen.text(46, 178, "all agree", "start")
    return pen.done(240)


DRAWINGS: dict[str, tuple[Callable[[_Pen], str], str]] = {
    "runners": (
        _runners,
        "Four exhaust runners with a probe at the same distance from the head in each; they join, and behind the "
        "junction sits the lambda sensor.",
    ),
    "depth": (
        _depth,
        "Three pipes in section: a probe with its tip in the middle is right, one that is too short and one that "
        "touches the far wall are wrong.",
    ),
    "cable": (
        _cable,
        "A probe, a plug of the same metals, a KX cable with green plus and white minus, and terminals with plus on "
        "plus. Copper or a turned cable read low.",
    ),
    "terminals": (
        _terminals,
        "A terminal block on a thick metal plate under a cover, with the temperature sensor in its middle.",
    ),
    "ground": (
        _ground,
        "Above, two grounded junctions on one instrument close a loop through the engine. Below, insulated junctions "
        "close none.",
    ),
    "lambda": (
        _lambda,
        "A pipe in section: the lambda sensor sits in the upper half, at least 10 degrees above the level; water "
        "collects below.",
    ),
    "soak": (
        _soak,
        "Temperatures over time: all agree in the cold, then one after the other is warmed, then the engine starts and "
        "all rise.",
    ),
}


def drawing(name: str, colours: Colours) -> str:
    """The drawing `name` of DRAWINGS as SVG text, in the colours of a theme."""
    draw, _ = DRAWINGS[name]
    return draw(_Pen(colours))


def description(name: str) -> str:
    """What the drawing shows, for those who do not see it."""
    return DRAWINGS[name][1]
