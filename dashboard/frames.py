"""Sessions and results as pandas tables with the unit in every column's name, for export and for notebooks."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.published import trims_to_json
from analysis.result import Balance, Trims
from daq.physical import PhysicalTable, Status
from daq.session import InstrumentTable
from daq.table_text import OPEN, OUT_OF_RANGE

FloatArray = npt.NDArray[np.float64]
STATUS_WORDS = {Status.OPEN_CIRCUIT: OPEN, Status.OUT_OF_RANGE: OUT_OF_RANGE}


def column_names(table: PhysicalTable) -> dict[str, str]:
    """The setup's own name of each column -> its name in `physical_frame`, with letters that a header may have."""
    setup = table.setup
    names = {probe.column: f"egt{probe.cylinder}_C" for probe in setup.probe}
    for sensor in setup.lambda_sensor:
        names[sensor.column] = _unused(names, f"lambda_{_plain(sensor.bank)}_lambda")
    c = setup.conditions
    for column in (c.rpm, c.load, c.injector, c.mixture):
        if column is not None and column not in names:
            instrument, name = setup.locate(column)
            names[column] = _unused(names, _plain(name), _plain(f"{instrument}_{name}"))
    return names


def _unused(names: Mapping[str, str], *wanted: str) -> str:
    """The first of `wanted` that no column has yet, else a numbered one that keeps its unit."""
    stem, _, unit = wanted[-1].rpartition("_")
    numbered = (f"{stem}_{number}_{unit}" for number in itertools.count(2))
    return next(name for name in itertools.chain(wanted, numbered) if name not in names.values())


def physical_frame(table: PhysicalTable) -> pd.DataFrame:
    """A session in physical units on one time base, a row a sample.

    Columns: `time_s`, `egtN_C` for each cylinder with a probe, `lambda_BANK_lambda`, and speed, load, injector
    and mixture under the setup's names. NaN for no reading; where a probe was open or out of range, a column
    `egtN_status` says so.
    """
    setup, names = table.setup, column_names(table)
    columns: dict[str, Any] = {"time_s": table.time_s}
    for probe in setup.probe:
        index = table.cylinders.index(probe.cylinder)
        columns[names[probe.column]] = table.egt_C[:, index]
    for probe in setup.probe:
        status = table.egt_status[:, table.cylinders.index(probe.cylinder)]
        if (status >= Status.OPEN_CIRCUIT).any():
            columns[f"egt{probe.cylinder}_status"] = status_words(status)
    for sensor in setup.lambda_sensor:
        columns[names[sensor.column]] = table.lambda_by_bank[sensor.bank]
    c = setup.conditions
    values = (
        (c.rpm, table.rpm),
        (c.load, table.load),
        (c.injector, table.injector_ms),
        (c.mixture, table.mixture),
    )
    columns |= {names[name]: column for name, column in values if name is not None and column is not None}
    return pd.DataFrame(columns)


def status_words(status: npt.NDArray[np.uint8]) -> npt.NDArray[np.object_]:
    """(n,) 'open', 'out of range', or '' for each value of `Status`."""
    words = np.full(status.shape, "", dtype=object)
    for value, word in STATUS_WORDS.items():
        words[status == value] = word
    return words


def raw_frame(said: InstrumentTable) -> pd.DataFrame:
    """What an instrument said, unconverted: `host_s` and its own columns; NaN for no reading and for open circuit."""
    columns = {name: said.column(name) for name in said.columns}
    return pd.DataFrame({"host_s": said.host_s, **columns})


def findings_frame(balance: Balance) -> pd.DataFrame:
    """A row a cylinder: finding, deviation [°C] and fuel offset [%] with their intervals, reasons; NaN: cannot tell."""
    rows = [
        {
            "bank": c.bank,
            "finding": c.finding,
            "egt_deviation_C": c.egt_deviation_C,
            "egt_deviation_u95_C": c.egt_deviation_u95_C,
            "fuel_offset_percent": c.fuel_offset_percent,
            "fuel_offset_u95_percent": c.fuel_offset_u95_percent,
            "reasons": " ".join(c.reasons),
        }
        for c in balance.cylinders
    ]
    index = pd.Index([c.cylinder for c in balance.cylinders], name="cylinder")
    return _with_numbers(pd.DataFrame(rows, index=index))


def stretches_frame(balance: Balance) -> pd.DataFrame:
    """A row a stretch: kind, start and end [s], speed, load, lambda of each bank, whether used and why not."""
    rows = [
        {
            "kind": s.kind,
            "start_s": s.start_s,
            "end_s": s.end_s,
            "rpm": s.rpm,
            "load": s.load,
            **{f"lambda_{_plain(bank)}_lambda": value for bank, value in s.lambda_by_bank.items()},
            "used": s.used,
            "reason": s.reason,
        }
        for s in balance.stretches
    ]
    return _with_numbers(pd.DataFrame(rows))


def trims_frame(trims: Trims) -> pd.DataFrame:
    """A row a cylinder: the trim [%] and what it should do, with the numbers of `trims.json`."""
    wanted = ("bank", "finding", "fuel_offset_percent", "trim_percent", "trim_ms", "predicted_offset_percent",
              "predicted_deviation_C", "predicted_deviation_u95_C", "trim_reason")  # fmt: skip
    entries: list[Mapping[str, Any]] = trims_to_json(trims)["cylinders"]
    index = pd.Index([entry["cylinder"] for entry in entries], name="cylinder")
    return _with_numbers(
        pd.DataFrame([{key: entry.get(key) for key in wanted} for entry in entries], index=index)
    )


def _with_numbers(frame: pd.DataFrame) -> pd.DataFrame:
    """None as NaN in the columns that hold numbers, also where a column holds nothing else."""
    numeric = [
        name for name in frame.columns if name.endswith(("_C", "_percent", "_ms", "_s", "rpm", "load"))
    ]
    return frame.astype(dict.fromkeys(numeric, np.float64))


def _plain(name: str) -> str:
    """`name` with letters, digits, `_`, `.` and `-` only, a letter first: no cell that a spreadsheet would run."""
    plain = re.sub(r"[^A-Za-z0-9_.-]", "_", name)
    return plain if plain[:1].isalpha() else f"x{plain}"
