"""A session as one table for other tools, with the setup under which it can be read back."""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import tomlkit

from daq.errors import EvenburnError
from daq.physical import PhysicalTable, Status
from daq.session import InstrumentTable
from daq.table_text import OPEN
from dashboard.frames import column_names, physical_frame, raw_frame, status_words

Form = Literal["csv", "parquet"]


class ExportError(EvenburnError):
    """A session cannot be exported as asked."""


def exported(table: PhysicalTable, setup_text: str, form: Form) -> dict[str, bytes]:
    """Suffix -> content: the physical values ('.csv' or '.parquet') and their setup ('.setup.toml').

    Together they can be imported again and give the same findings. Raises ExportError.
    """
    content = _physical_csv(table) if form == "csv" else _parquet(physical_frame(table))
    return {f".{form}": content, ".setup.toml": exported_setup(table, setup_text).encode()}


def exported_raw(tables: Mapping[str, InstrumentTable], form: Form) -> dict[str, bytes]:
    """Suffix -> content: what each instrument said, unconverted, on its own times. Raises ExportError."""
    contents = {}
    for name, said in tables.items():
        suffix = f".{form}" if len(tables) == 1 else f"-{name}.{form}"
        contents[suffix] = _raw_csv(said) if form == "csv" else _parquet(raw_frame(said))
    return contents


def exported_setup(table: PhysicalTable, setup_text: str) -> str:
    """The session's setup with the names and units of the exported columns; comments and all else are kept.

    What the values have been through already is taken out: cold junctions, amplifiers, offsets, lambda's volts
    and delay. All columns belong to one instrument.
    """
    names = column_names(table)
    document = tomlkit.parse(setup_text)
    for key in ("instrument", "cold_junction"):
        document.pop(key, None)
    for probe in document["probe"]:
        probe["column"] = names[probe["column"]]
        for key in ("cold_junction", "amplifier", "offset_C"):
            probe.pop(key, None)
    for sensor in document.get("lambda_sensor", []):
        sensor["column"] = names[sensor["column"]]
        for key in ("volts", "lambda"):
            sensor.pop(key, None)
        if "delay_s" in sensor:
            sensor["delay_s"] = 0.0
    conditions = document.get("conditions", {})
    for key, column in list(conditions.items()):
        conditions[key] = names[column]
    return tomlkit.dumps(document)


def _physical_csv(table: PhysicalTable) -> bytes:
    """As `physical_frame`, with 'open' and 'out of range' in the cells themselves, as the importer reads them."""
    frame = physical_frame(table).astype(object)
    for probe in table.setup.probe:
        status = table.egt_status[:, table.cylinders.index(probe.cylinder)]
        if (status >= Status.OPEN_CIRCUIT).any():
            words = status_words(status)
            name = f"egt{probe.cylinder}_C"
            frame[name] = np.where(words != "", words, frame[name])
            frame = frame.drop(columns=f"egt{probe.cylinder}_status")
    return _csv(frame)


def _raw_csv(said: InstrumentTable) -> bytes:
    frame = raw_frame(said).astype(object)
    for name in said.columns:
        if said.is_open(name).any():
            frame[name] = np.where(said.is_open(name), OPEN, frame[name])
    return _csv(frame)


def _csv(frame: pd.DataFrame) -> bytes:
    return frame.to_csv(index=False, lineterminator="\n").encode()


def _parquet(frame: pd.DataFrame) -> bytes:
    if importlib.util.find_spec("pyarrow") is None:
        raise ExportError("parquet needs one more package: pip install 'evenburn[parquet]'")
    buffer = io.BytesIO()
    frame.to_parquet(buffer, engine="pyarrow", index=False)
    return buffer.getvalue()


def named(out: Path, contents: Mapping[str, bytes]) -> dict[str, bytes]:
    """File name -> content, after the name that `out` asks for."""
    stem = out.name.removesuffix(out.suffix) if out.suffix in (".csv", ".parquet") else out.name
    main = next(iter(contents))
    return {(out.name if suffix == main and "-" not in suffix else stem + suffix): content
            for suffix, content in contents.items()}  # fmt: skip
