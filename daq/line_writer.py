"""The line stream from the other side: for sources that are polled or decoded here, so that all record alike."""

from __future__ import annotations

import math
from collections.abc import Sequence

from daq.line_stream import MAX_LINE_BYTES

#: How often [s] the header is repeated.
HEADER_EVERY_S = 10.0
_COUNTER_RANGE = 2**32


class LineWriter:
    """Lines of samples with the counter `time_ms`, headed by `columns` (without the counter)."""

    def __init__(self, columns: Sequence[str]) -> None:
        self.header = ("#" + ",".join(("time_ms", *columns)) + "\n").encode("ascii")
        self._headed_s = -math.inf

    def sample(self, time_s: float, fields: Sequence[str]) -> bytes:
        """A sample at `time_s` [s on any clock], after a header wherever one is due."""
        counter_ms = math.floor(time_s * 1000.0) % _COUNTER_RANGE
        line = f"{counter_ms},{','.join(fields)}\n".encode("ascii")
        if abs(time_s - self._headed_s) < HEADER_EVERY_S:
            return line
        self._headed_s = time_s
        return self.header + line


def number(value: float) -> str:
    """`value` as a field: nine digits, empty where it is not finite.

    >>> number(812.03125), number(0.1 + 0.2), number(float("nan"))
    ('812.03125', '0.3', '')
    """
    return f"{value:.9g}" if math.isfinite(value) else ""


def remark(text: str) -> bytes:
    """A line that becomes a mark."""
    return b"# " + text.encode("ascii", "replace").replace(b"\n", b" ")[: MAX_LINE_BYTES - 8] + b"\n"
