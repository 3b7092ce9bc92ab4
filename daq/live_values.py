"""What the engine is doing now, from the samples of the last moment: what the alarms look at.

The median of each column over that moment becomes one sample, which is then converted like any session. So a
live value and the same value read back from the disk cannot differ, and a single spike rings no alarm.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec
import numpy as np

from daq.alarms import CONNECTED_S, Observation
from daq.physical import PhysicalTable, Status, physical_table
from daq.session import InstrumentTable, Session
from daq.setupfile import Setup

#: Most samples of a moment that are looked at.
MOST_SAMPLES = 50
_NO_NUMBER = frozenset({"", "nan", "open"})


class LiveValues:
    """The latest samples of every instrument, and the observation they amount to."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._columns: dict[str, tuple[str, ...]] = {}  # without the counter: the present needs no clock
        self._usable: Setup | None = None
        self._rows: dict[str, deque[Sequence[str]]] = {}
        self._latest: dict[str, tuple[float, list[float]]] = {}
        self._heard_s = {instrument.name: 0.0 for instrument in setup.instrument}

    def columns(self, instrument: str, columns: tuple[str, ...]) -> None:
        """`instrument` prints `columns` from now on."""
        self._columns[instrument] = columns[1:]
        self._rows[instrument] = deque(maxlen=MOST_SAMPLES)
        self._latest.pop(instrument, None)
        self._usable = restrict(self._setup, self._columns)

    def samples(self, instrument: str, time_s: float, rows: Sequence[Sequence[str]]) -> None:
        """`rows` (n_samples rows of fields as received, not empty) came by `time_s` [s]."""
        self._heard_s[instrument] = time_s
        self._rows[instrument].extend(rows)

    def observe(self, time_s: float) -> Observation:
        """The engine at `time_s` [s since the recording began]; begins a new moment."""
        for instrument, rows in self._rows.items():
            if rows:
                values = [_typical(texts) for texts in list(zip(*rows, strict=True))[1:]]
                self._latest[instrument] = (time_s, values)
                rows.clear()
        silent_s = {name: time_s - heard_s for name, heard_s in self._heard_s.items()}
        physical = self._convert(time_s)
        if physical is None:
            return Observation(time_s, silent_s=silent_s)
        return _observation(time_s, physical, silent_s)

    def _convert(self, time_s: float) -> PhysicalTable | None:
        """The latest values as a table of one sample; None while no probe's column is known."""
        if self._usable is None or not self._usable.probe:
            return None
        tables = {}
        for instrument, columns in self._columns.items():
            seen_s, values = self._latest.get(instrument, (-math.inf, []))
            if time_s - seen_s > CONNECTED_S:
                values = [math.nan] * len(columns)
            tables[instrument] = InstrumentTable(
                instrument, columns, np.zeros(1), np.array(values)[:, np.newaxis]
            )
        return physical_table(Session(Path("live"), "", tables, ()), self._usable)


def restrict(setup: Setup, columns: Mapping[str, tuple[str, ...]]) -> Setup:
    """`setup` without what names an absent column; lambda undelayed, as the present has no later."""

    def known(name: str | None) -> bool:
        instrument, column = setup.locate(name or "")
        return name is None or column in columns.get(instrument, ())

    conditions = {
        key: name if known(name) else None for key, name in msgspec.structs.asdict(setup.conditions).items()
    }
    return msgspec.structs.replace(
        setup,
        probe=tuple(p for p in setup.probe if known(p.column) and known(p.cold_junction)),
        lambda_sensor=tuple(
            msgspec.structs.replace(s, delay_s=None) for s in setup.lambda_sensor if known(s.column)
        ),
        conditions=type(setup.conditions)(**conditions),
    )


def _observation(time_s: float, table: PhysicalTable, silent_s: Mapping[str, float]) -> Observation:
    """A table of one sample as what the alarms look at; a cylinder without a usable probe is left out."""
    rows = {cylinder: table.cylinders.index(cylinder) for cylinder in (p.cylinder for p in table.setup.probe)}
    return Observation(
        time_s,
        egt_C={cylinder: float(table.egt_C[0, row]) for cylinder, row in rows.items()},
        lost_share={c: float(table.egt_status[0, row] != Status.GOOD) for c, row in rows.items()},
        lambda_by_bank={bank: float(values[0]) for bank, values in table.lambda_by_bank.items()},
        load=math.nan if table.load is None else float(table.load[0]),
        rpm=math.nan if table.rpm is None else float(table.rpm[0]),
        silent_s=silent_s,
    )


def _typical(texts: Sequence[str]) -> float:
    """The median of a column's fields; where most are no number +inf (`open`) or NaN."""
    numbers = sorted(float(text) for text in texts if text not in _NO_NUMBER)
    if 2 * len(numbers) >= len(texts):
        return numbers[len(numbers) // 2]
    open_circuits = sum(text == "open" for text in texts)
    return math.inf if 2 * open_circuits >= len(texts) - len(numbers) else math.nan
