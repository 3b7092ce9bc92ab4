"""Reading a CAN bus: frames through python-can, signals by the user's DBC files, and out come lines like any other's.

The bus is only listened to. Its frames carry the time at which the adapter or the system took them from the wire,
and that is the counter of the lines, so a busy computer does not blur it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from daq.can_rows import SignalRows
from daq.can_signals import SignalTable
from daq.errors import PortError, SetupError, StreamError
from daq.extras import need
from daq.line_writer import remark
from daq.reader import ConnectionLost, ReopeningReader
from daq.setupfile import CanBus, Instrument

#: Most frames that are taken at once; a full bus of 1 Mbit/s carries about 8 000 a second.
FRAMES_AT_ONCE = 1000

OpenBus = Callable[[CanBus, str, list[dict[str, Any]]], Any]


def open_bus(settings: CanBus, channel: str, filters: list[dict[str, Any]]) -> Any:
    """The bus `channel` of the setup's interface, passing only what `filters` let through. Raises PortError."""
    can = need("can", "can", "A CAN bus")
    speed = {} if settings.bitrate_bps is None else {"bitrate": settings.bitrate_bps}
    try:
        return can.Bus(channel=channel, interface=settings.interface, can_filters=filters, **speed)
    except (can.CanError, OSError, ValueError, ImportError, TypeError) as error:
        reason = " ".join(str(error).split())
        raise PortError(f"{settings.interface} {channel}: the CAN bus cannot be opened ({reason})") from None


class CanReader(ReopeningReader):
    """A CAN bus as a `Reader`.

    instrument: with its section `can`. channel: instead of the instrument's port. folder: where the DBC files are.
    open_bus: how a bus is opened. clock, sleep: as of `ReopeningReader`.
    Raises ExtraError, SetupError (DBC files, signals, units, no channel) and PortError, at the start only.
    """

    def __init__(
        self,
        instrument: Instrument,
        channel: str | None = None,
        folder: Path = Path(),
        clock: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
        open_bus: OpenBus = open_bus,
    ) -> None:
        settings = _settings(instrument)
        where = channel or instrument.port
        if where is None:
            raise SetupError(f'instrument {instrument.name!r}: name its CAN channel, e.g. port = "can0"')
        table = SignalTable(settings, folder)
        super().__init__(lambda: _CanConnection(settings, where, table, open_bus), clock, sleep)


class _CanConnection:
    """A CAN bus while it is there."""

    def __init__(self, settings: CanBus, channel: str, table: SignalTable, open_bus: OpenBus) -> None:
        self.port = f"{settings.interface} {channel}"
        self._failures = (need("can", "can", "A CAN bus").CanError, OSError, ValueError)
        self._bus = open_bus(settings, channel, table.filters)
        self._lines = _Lines(table)
        self._said = self._lines.begin()

    def read(self, timeout_s: float) -> bytes:
        """Lines of the frames that come within `timeout_s` [s]. Raises ConnectionLost."""
        said, self._said = self._said, b""
        try:
            message = self._bus.recv(timeout_s)
            if message is None:
                return said + self._lines.end()
            said += self._lines.take(message)
            for _ in range(FRAMES_AT_ONCE - 1):
                message = self._bus.recv(0.0)
                if message is None:
                    break
                said += self._lines.take(message)
        except self._failures as error:
            said += self._lines.end()
            if not said:  # else the loss can wait for the next call
                raise ConnectionLost(" ".join(str(error).split())) from None
        return said

    def close(self) -> None:
        """Let go of the bus; never raises."""
        with contextlib.suppress(*self._failures):
            self._bus.shutdown()


class _Lines:
    """Frames in, lines out."""

    def __init__(self, table: SignalTable) -> None:
        self._table = table
        self._rows = SignalRows(table.columns)

    def begin(self) -> bytes:
        """What stands before the first sample: the header, and where the signals' definitions come from."""
        return self._rows.header + remark("signals by " + ", ".join(self._table.sources))

    def take(self, message: Any) -> bytes:
        """The lines that a message of python-can completes."""
        if message.is_error_frame or message.is_remote_frame:
            return b""
        values = self._table.values(message.arbitration_id, message.is_extended_id, bytes(message.data))
        lines = self._rows.feed(message.timestamp, values) if values else b""
        if self._table.remarks:
            lines += b"".join(remark(text) for text in self._table.remarks)
            self._table.remarks.clear()
        return lines

    def end(self) -> bytes:
        """The last row so far."""
        return self._rows.flush()


def log_lines(instrument: Instrument, path: Path, folder: Path = Path()) -> Iterator[bytes]:
    """The lines of a recorded log, as if its frames had come from the bus.

    path: in a format that python-can reads, by its suffix; `.log` is that of candump. Raises ExtraError, SetupError
    and StreamError.
    """
    can = need("can", "can", "A CAN log")
    lines = _Lines(SignalTable(_settings(instrument), folder))
    yield lines.begin()
    try:
        with can.LogReader(path) as log:
            for message in log:
                if said := lines.take(message):
                    yield said
    except (can.CanError, ValueError, IndexError) as error:
        raise StreamError(
            f"{path}: is not a CAN log that can be read ({' '.join(str(error).split())})"
        ) from None
    yield lines.end()


def _settings(instrument: Instrument) -> CanBus:
    if instrument.can is None:
        raise SetupError(f"instrument {instrument.name!r}: has no section can")
    return instrument.can
