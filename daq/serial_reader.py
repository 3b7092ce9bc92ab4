"""Reading an instrument that prints the line stream on a serial port."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable

import serial

from daq.errors import PortError
from daq.ports import PORT_FAILURES, close_port, open_port
from daq.reader import ConnectionLost, ReopeningReader

#: Most bytes taken at once.
CHUNK_BYTES = 65536


class SerialReader(ReopeningReader):
    """A serial port as a `Reader`: opened at once, looked for again for ever when it is lost.

    find: where the port is now (raises PortError when it is nowhere), called before every opening.
    clock: seconds on a clock that never steps; sleep: waits that long.
    Raises PortError when the port cannot be opened at the start: that a user can mend.
    """

    def __init__(
        self,
        find: Callable[[], str],
        baud: int,
        clock: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        super().__init__(lambda: _SerialConnection(find, baud), clock, sleep)


class _SerialConnection:
    """A serial port while it is there."""

    def __init__(self, find: Callable[[], str], baud: int) -> None:
        try:
            self.port = find()
        except PORT_FAILURES as error:  # a device that vanishes while the ports are being listed
            raise PortError(f"the serial ports cannot be listed ({error})") from None
        self._serial = open_port(self.port, baud)

    def read(self, timeout_s: float) -> bytes:
        """What arrives within `timeout_s` [s], empty for nothing. Raises ConnectionLost."""
        try:
            data = _read_available(self._serial, timeout_s)
        except PORT_FAILURES as error:
            raise ConnectionLost(str(error)) from None
        if data is None:
            return b""
        if not data:
            raise ConnectionLost("the device hung up")
        return data

    def close(self) -> None:
        """Close the port; never raises."""
        close_port(self._serial)


def _read_by_select(port: serial.Serial, timeout_s: float) -> bytes | None:
    """What is there, after at most `timeout_s` for the first byte; None: nothing came; b"": the device is gone.

    The plain calls of the system, because the reading calls of pyserial wait byte by byte, and take the end of a
    hung-up line for silence.
    """
    descriptor = port.fileno()
    readable, _, _ = select.select([descriptor], [], [], timeout_s)
    if not readable:
        return None
    with contextlib.suppress(BlockingIOError):
        return os.read(descriptor, CHUNK_BYTES)
    return None


def _read_by_waiting(port: serial.Serial, timeout_s: float) -> bytes | None:
    """The same where ports cannot be selected (Windows): waits at most the port's own 0.1 s for the first byte."""
    return port.read(min(port.in_waiting or 1, CHUNK_BYTES)) or None


_read_available = _read_by_waiting if sys.platform == "win32" else _read_by_select
