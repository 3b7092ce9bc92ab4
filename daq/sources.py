"""From the setup's instruments to readers: which kind each is, and that no two read one port."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path

from daq.errors import PortError, SetupError
from daq.line_stream import columns_problem
from daq.ports import PortFinder
from daq.reader import Reader
from daq.serial_reader import SerialReader
from daq.setupfile import Instrument, Setup


def open_readers(
    setup: Setup, ports: Mapping[str, str], clock: Callable[[], float], folder: Path = Path()
) -> dict[str, Reader]:
    """A reader for each of the setup's instruments.

    ports: instrument -> port or CAN channel, instead of the setup's. folder: where the setup's DBC files are.
    Raises PortError, SetupError, ExtraError; then none stays open.
    """
    names = [instrument.name for instrument in setup.instrument]
    for name in ports:
        if name not in names:
            raise PortError(f"port for {name!r}: the setup has no such instrument, only {', '.join(names)}")
    readers: dict[str, Reader] = {}
    try:
        for instrument in setup.instrument:
            readers[instrument.name] = _open(instrument, ports.get(instrument.name), readers, clock, folder)
    except BaseException:
        close_readers(readers)
        raise
    return readers


def close_readers(readers: Mapping[str, Reader]) -> None:
    """Let go of all of them."""
    for reader in readers.values():
        reader.close()


def _open(
    instrument: Instrument,
    given: str | None,
    others: Mapping[str, Reader],
    clock: Callable[[], float],
    folder: Path,
) -> Reader:
    if instrument.can is not None:
        from daq.can_reader import CanReader

        return CanReader(instrument, given, folder, clock)
    if instrument.columns is not None and (problem := columns_problem(instrument.columns)):
        raise SetupError(f"instrument {instrument.name!r}: columns: {problem}")
    find = PortFinder(instrument, given)
    where = os.path.realpath(find())
    for name, reader in others.items():
        if os.path.realpath(reader.port) == where:
            raise PortError(f"instruments {name!r} and {instrument.name!r} would both read {where}")
    if instrument.modbus is not None:
        from daq.modbus_reader import ModbusReader

        return ModbusReader(instrument, find, clock)
    return SerialReader(find, instrument.baud, clock)
