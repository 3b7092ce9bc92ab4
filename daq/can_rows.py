"""From signals that come when they like to the rows of a table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from daq.line_writer import LineWriter, number

#: Signals within this time [s] of a row's first one make up that row. Below the usual cycles of 40, 50 and 100 ms,
#: so that a jitter of some ms does not put two of them into one row; two of 20 ms make a row.
ROW_S = 0.035
#: How long [s] a signal stands for its column until it is missed. The slowest that are of use here come once a
#: second.
HOLD_S = 1.5
#: A stamp that lies further back [s] than this is a clock that was set, less is two frames that overtook.
SET_BACK_S = 1.0


class SignalRows:
    """Collects signals by the bus' own time stamps and gives out lines of the line stream.

    A row holds the newest value of each column, empty for one that has not come for `HOLD_S`, and is stamped with
    the newest of them. There is a row only where a signal came, so nothing is invented while the bus is silent,
    and a slow signal is not lost between the rows of a fast one.
    """

    def __init__(self, columns: Sequence[str]) -> None:
        self._columns = tuple(columns)
        self._writer = LineWriter(columns)
        self._latest: dict[str, tuple[float, str]] = {}
        self._began_s: float | None = None
        self._seen_s = -math.inf

    @property
    def header(self) -> bytes:
        """The line that names the columns."""
        return self._writer.header

    def feed(self, time_s: float, values: Mapping[str, float]) -> bytes:
        """The row that `values` (column -> value, NaN for no reading), seen at `time_s` [s], complete, if any."""
        done = b""
        if time_s < self._seen_s - SET_BACK_S:
            done = self.flush()
            self._latest.clear()
        else:
            time_s = max(time_s, self._seen_s)
            if self._began_s is not None and time_s - self._began_s >= ROW_S:
                done = self.flush()
        self._seen_s = time_s
        if self._began_s is None:
            self._began_s = time_s
        self._latest.update({column: (time_s, number(value)) for column, value in values.items()})
        return done

    def flush(self) -> bytes:
        """The row that has begun, if any: the bus says nothing more for now."""
        if self._began_s is None:
            return b""
        self._began_s = None
        return self._writer.sample(self._seen_s, [self._field(column) for column in self._columns])

    def _field(self, column: str) -> str:
        seen_s, text = self._latest.get(column, (-math.inf, ""))
        return text if self._seen_s - seen_s <= HOLD_S else ""
