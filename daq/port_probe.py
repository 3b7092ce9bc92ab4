"""What is this port saying? For somebody who has a box with a cable and no manual.

Guesses are guesses: from the names where there is a header, from the values where there is none. The setup
decides.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from daq.cold_junction import pt100_C
from daq.line_stream import Header, LineStreamParser, Rejection, Remark, Sample
from daq.reader import Lost, Received
from daq.serial_reader import SerialReader
from daq.thermocouple import hot_junction_C

#: Terminals are about this warm [°C] in a workshop, to say what a thermocouple's voltage may mean.
WORKSHOP_C = 25.0
#: Most lines that are shown.
SHOWN_LINES = 20
#: A counter that goes on by more than this from line to line counts microseconds: no instrument is that slow
#: in ms.
LARGEST_STEP_MS = 2000

_UNITS = {
    "_V": "volts, as of a lambda controller or an amplifier",
    "_C": "a temperature",
    "_lambda": "lambda",
    "_afr": "air-fuel ratio",
    "_kPa": "a pressure, as of the manifold",
    "_pct": "per cent, as of throttle or load",
    "_ms": "milliseconds, as of an injector's opening",
}


@dataclass(frozen=True)
class ColumnGuess:
    """A column by its place from 1: its name in the header or one that would fit, its range, what it may be."""

    place: int
    name: str
    lowest: float
    highest: float
    guess: str


@dataclass(frozen=True)
class PortReport:
    """What a port said.

    lines: the last ones as text, the very last may be torn. line_rate_Hz: lines a second. header: the columns
    that it printed, None without. remarks: lines that start with `#`. samples: lines that the parser took;
    dropped: those it did not, by reason. advice: what to do, empty where nothing is.
    """

    port: str
    baud: int
    lines: tuple[str, ...]
    line_rate_Hz: float
    header: tuple[str, ...] | None
    remarks: tuple[str, ...]
    samples: int
    dropped: dict[str, int]
    columns: tuple[ColumnGuess, ...]
    advice: str


def probe_port(port: str, baud: int = 115200, seconds: float = 3.0) -> PortReport:
    """Listen on `port` for `seconds` [s] and say what is there. Raises PortError."""
    reader = SerialReader(lambda: port, baud)
    data = bytearray()
    try:
        end_s = time.perf_counter() + seconds
        while (left_s := end_s - time.perf_counter()) > 0:
            event = reader.read(left_s)
            if isinstance(event, Received):
                data += event.data
            elif isinstance(event, Lost):
                break
    finally:
        reader.close()
    return describe(port, baud, bytes(data), seconds)


def describe(port: str, baud: int, data: bytes, seconds: float) -> PortReport:
    """What `data` says, which was heard on `port` at `baud` in `seconds` [s]."""
    parser = LineStreamParser()
    items = parser.feed(data)
    header = next((item.columns for item in items if isinstance(item, Header)), None)
    if header is None and parser.counts.rejected[Rejection.NO_HEADER]:
        parser = LineStreamParser(_placeholders(data))
        items = parser.feed(data)
    rows = [item.fields for item in items if isinstance(item, Sample)]
    rows = [row for row in rows if len(row) == len(rows[-1])]
    columns = guess_columns(rows, header)
    lines = [line.decode("ascii", "backslashreplace").rstrip("\r") for line in data.split(b"\n")]
    return PortReport(
        port=port,
        baud=baud,
        lines=tuple(line for line in lines if line)[-SHOWN_LINES:],
        line_rate_Hz=data.count(b"\n") / seconds,
        header=header,
        remarks=tuple(item.text for item in items if isinstance(item, Remark)),
        samples=parser.counts.accepted,
        dropped={str(reason): count for reason, count in parser.counts.rejected.items()},
        columns=columns,
        advice=_advice(data, baud, seconds, header, columns),
    )


def guess_columns(rows: Sequence[Sequence[str]], header: Sequence[str] | None) -> tuple[ColumnGuess, ...]:
    """What each column may be. rows: samples, each with the same number of fields as received; header: their names."""
    guesses = []
    for i, texts in enumerate(zip(*rows, strict=True)):
        values = [float(text) for text in texts if text not in ("", "nan", "open")]
        lowest, highest = (min(values), max(values)) if values else (math.nan, math.nan)
        is_open = "open" in texts
        if i == 0:
            name, guess = _counter(values)
            name = header[0] if header else name
        elif header:
            name, guess = header[i], _by_name(header[i], (lowest + highest) / 2)
        else:
            unit, guess = _by_values(lowest, highest, is_open)
            name = f"column{i + 1}{unit}"
        if is_open:
            guess += "; an open circuit was reported"
        guesses.append(ColumnGuess(i + 1, name, lowest, highest, guess))
    return tuple(guesses)


def _counter(values: Sequence[float]) -> tuple[str, str]:
    """Name and guess of the first column."""
    steps = sorted(b - a for a, b in pairwise(values))
    if not steps or steps[len(steps) // 2] <= 0:
        return "time_ms", "should be the instrument's own counter, but it does not go up"
    step = steps[len(steps) // 2]
    name = "time_us" if step > LARGEST_STEP_MS else "time_ms"
    return name, f"the instrument's counter, by {step:g} a line"


def _by_name(name: str, middle: float) -> str:
    """What a column that names its unit may be; `middle`: about what it held."""
    if name.endswith(("_mV", "_uV")):
        return _thermocouple(middle * (1e-3 if name.endswith("_uV") else 1.0))
    if name.endswith("_ohm"):
        t_C = float(pt100_C(middle))
        pt100 = "" if math.isnan(t_C) else f"; a Pt100 would be at about {t_C:.0f} °C"
        return f"a resistance, as of a cold junction{pt100}"
    return next((what for unit, what in _UNITS.items() if name.endswith(unit)), "a plain count, such as rpm")


def _by_values(lowest: float, highest: float, is_open: bool) -> tuple[str, str]:
    """The unit that would fit values between `lowest` and `highest`, and what they may be."""
    if is_open and math.isnan(lowest):
        return "_mV", "a thermocouple with an open circuit"
    if math.isnan(lowest):
        return "", "held no number"
    if not is_open:
        if lowest >= 0.5 and highest <= 1.7:
            return "_lambda", "lambda, or volts"
        if lowest >= 0.0 and highest <= 5.5:
            return "_V", "volts of a lambda controller, a small thermocouple voltage in mV, or milliseconds"
        if lowest >= 5.0 and highest <= 50.0 and highest - lowest < 0.3:
            return "_C", f"°C of a cold junction, or {_thermocouple((lowest + highest) / 2)}"
    if lowest >= -6.5 and highest <= 54.9:
        return "_mV", _thermocouple((lowest + highest) / 2)
    if lowest >= 0.0 and highest <= 300.0:
        return "_kPa", "a pressure in kPa, per cent, or a resistance in ohm"
    if lowest >= -50.0 and highest <= 1372.0:
        return "_C", "°C of a thermocouple that the instrument has converted, or rpm"
    return "", "a plain count, such as rpm"


def _thermocouple(voltage_mV: float) -> str:
    t_C = float(hot_junction_C(voltage_mV, WORKSHOP_C))
    if math.isnan(t_C):
        return "a voltage that no type K thermocouple has"
    return f"a type K thermocouple at about {t_C:.0f} °C, if its terminals are at {WORKSHOP_C:.0f} °C"


def _placeholders(data: bytes) -> list[str]:
    """Names for the columns of a stream without a header: as many as most of its lines have."""
    widths = Counter(line.count(b",") + 1 for line in data.split(b"\n")[1:-1] if line[:1].isdigit())
    width = widths.most_common(1)[0][0] if widths else 1
    return ["time_ms", *(f"column{place}" for place in range(2, width + 1))]


def _advice(
    data: bytes, baud: int, seconds: float, header: Sequence[str] | None, columns: Sequence[ColumnGuess]
) -> str:
    if not data:
        return f"Nothing was heard in {seconds:g} s: is the instrument powered and printing?"
    printable = sum(byte in b"\t\r\n" or 0x20 <= byte < 0x7F for byte in data)
    if printable < 0.9 * len(data):
        return f"Most of it is no text: {baud} baud is probably not the rate at which the instrument speaks."
    if not columns:
        return "It is text, but holds no line of numbers separated by commas with a whole number first."
    if header is None:
        names = ", ".join(f'"{column.name}"' for column in columns)
        return f"It prints no header: name its columns in the setup, such as columns = [{names}]."
    return ""
