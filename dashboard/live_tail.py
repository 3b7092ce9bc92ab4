"""Follows a session while it is being recorded: new samples as they are written, in physical units at once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daq.line_stream import TICK_S
from daq.live_values import restrict
from daq.physical import Mark, PhysicalTable, physical_table
from daq.session import InstrumentTable, Session
from daq.session_tail import SessionTail
from daq.setupfile import load_setup
from dashboard.session_folder import SETUP_NAME

FloatArray = npt.NDArray[np.float64]
LOOK_BACK_BYTES = 400_000


@dataclass(frozen=True)
class News:
    """What has been written since the last look: `table` is None where no probe's instrument said anything."""

    table: PhysicalTable | None
    marks: tuple[Mark, ...]
    stopped: bool


class LiveTail:
    """The present of one session folder. Raises SessionError or SetupError if it cannot be followed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.setup = load_setup(folder / SETUP_NAME)
        self._tail = SessionTail(folder, backlog_bytes=LOOK_BACK_BYTES)
        self._columns: dict[str, tuple[str, ...]] = {}
        self._usable = restrict(self.setup, {})
        self._held: dict[str, FloatArray] = {}

    def read(self) -> News:
        """The samples and marks since the last call.

        Samples are converted like a whole session, so that a live value and the same value read back later agree. Of
        an instrument that does not carry the probes only the newest sample counts.
        """
        new = self._tail.poll()
        return News(self._converted(new), new.marks, new.stopped)

    def _converted(self, new: Session) -> PhysicalTable | None:
        tables = {name: _by_arrival(table) for name, table in new.tables.items()}
        columns = {name: table.columns for name, table in tables.items()}
        if columns != self._columns:
            self._columns, self._usable = columns, restrict(self.setup, columns)
        for name, table in tables.items():
            if table.host_s.size:
                self._held[name] = table.values[:, -1]
        if not self._usable.probe:
            return None
        main = self._usable.locate(self._usable.probe[0].column)[0]
        host_s = tables[main].host_s
        if host_s.size == 0:
            return None
        for name in tables.keys() - {main}:
            tables[name] = self._held_through(tables[name], host_s)
        return physical_table(Session(self.folder, "", tables, ()), self._usable)

    def _held_through(self, table: InstrumentTable, host_s: FloatArray) -> InstrumentTable:
        """The instrument's newest values from before the first to after the last of these times."""
        held = self._held.get(table.instrument, np.full(len(table.columns), np.nan))
        around_s = np.array([host_s[0] - 1e-3, host_s[-1] + 1e-3])
        return InstrumentTable(table.instrument, table.columns, around_s, np.tile(held[:, None], 2))


def _by_arrival(table: InstrumentTable) -> InstrumentTable:
    """The table without its counter of time: for the live page a sample's time is that of its arrival.

    Samples that arrived in one batch are set a microsecond apart, as no two may have the same time.
    """
    kept = [i for i, column in enumerate(table.columns) if column not in TICK_S]
    apart_s = table.host_s + 1e-6 * np.arange(table.host_s.size)
    return InstrumentTable(
        table.instrument, tuple(table.columns[i] for i in kept), apart_s, table.values[kept]
    )
