"""Serial ports: which ones there are, which of them is an instrument's, and opening one for ourselves alone.

A port's name is where it happens to sit today: after a replug the same instrument may come back as another
name, and a stranger may sit at the old one. So an instrument is known by its USB identity wherever it has
one: by the setup's `usb = "VID:PID[:SERIAL]"`, or by what was learned the first time its named port was
opened.

Opening a port raises the lines DTR and RTS, as every operating system here does by itself; many boards
restart at that moment. Nothing else is done with these lines: a restart is marked, and costs the lines of the
boot only.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import serial
from serial.tools import list_ports

from daq.errors import PortError, SetupError
from daq.setupfile import Instrument

if sys.platform != "win32":
    import fcntl
    import termios

#: What the calls of pyserial and of the operating system raise for a port that is absent, busy or gone:
#: besides SerialException (an OSError) also termios.error, and TypeError or ValueError when the handle
#: vanishes inside a call.
PORT_FAILURES: tuple[type[Exception], ...] = (OSError, TypeError, ValueError)
if sys.platform != "win32":
    PORT_FAILURES = (*PORT_FAILURES, termios.error)


@dataclass(frozen=True)
class UsbIdentity:
    """A USB device as it names itself: vendor and product number, and its serial number if it has one."""

    vendor: int
    product: int
    serial: str | None = None

    @classmethod
    def parse(cls, text: str) -> UsbIdentity:
        """The identity written as `VID:PID` or `VID:PID:SERIAL` (numbers in hexadecimal). Raises SetupError.

        >>> UsbIdentity.parse("1209:0001:A1:B2")
        UsbIdentity(vendor=4617, product=1, serial='A1:B2')
        """
        vendor, _, rest = text.partition(":")
        product, _, serial_number = rest.partition(":")
        try:
            return cls(int(vendor, 16), int(product, 16), serial_number or None)
        except ValueError:
            raise SetupError(
                f'usb = "{text}": write VID:PID or VID:PID:SERIAL in hexadecimal, as `evenburn ports` does'
            ) from None

    def __str__(self) -> str:
        tail = f":{self.serial}" if self.serial else ""
        return f"{self.vendor:04X}:{self.product:04X}{tail}"

    def matches(self, other: UsbIdentity) -> bool:
        """Whether `other` is this device; without a serial number here, any device of the same model is."""
        same_model = (self.vendor, self.product) == (other.vendor, other.product)
        return same_model and (self.serial is None or self.serial.lower() == (other.serial or "").lower())


@dataclass(frozen=True)
class SerialPort:
    """A serial port of this computer; `location` is the USB socket it is plugged into."""

    path: str
    description: str
    usb: UsbIdentity | None = None
    location: str | None = None

    def __str__(self) -> str:
        usb = f", usb {self.usb}" if self.usb else ""
        return f"{self.path} ({self.description}{usb})"


def serial_ports(given: Iterable[str] = ()) -> tuple[SerialPort, ...]:
    """The serial ports of this computer, USB first; `given` adds paths that no list knows (such as ptys)."""
    found = []
    for info in list_ports.comports():
        usb = None
        if info.vid is not None and info.pid is not None:
            usb = UsbIdentity(info.vid, info.pid, info.serial_number or None)
        found.append(SerialPort(info.device, info.description or "serial port", usb, info.location or None))
    found.sort(key=lambda port: (port.usb is None, port.path))
    listed = {os.path.realpath(port.path) for port in found}
    extra = [path for path in given if Path(path).exists() and os.path.realpath(path) not in listed]
    return (*found, *(SerialPort(path, "given by its path") for path in extra))


ListPorts = Callable[[], Sequence[SerialPort]]


class PortFinder:
    """Where an instrument's port is now. Each call looks again, so a renumbered port is found.

    In this order: `given` (a path from the command line), the setup's `usb`, the setup's `port`, the only USB
    serial port there is. Once found on USB, the device is known by its identity: with a serial number only
    that very device is taken again; without one, the same model in the same socket, or else the only one of
    its model.
    """

    def __init__(
        self, instrument: Instrument, given: str | None = None, list_ports: ListPorts = serial_ports
    ) -> None:
        self._instrument = instrument
        self._given = given
        self._wanted = None if instrument.usb is None else UsbIdentity.parse(instrument.usb)
        self._list_ports = list_ports
        self._known: SerialPort | None = None

    def __call__(self) -> str:
        """The path to open. Raises PortError: not there, or several that could be meant (they are listed)."""
        ports = self._list_ports()
        if self._known is not None:
            return _same_device(self._known, ports, self._instrument.name).path
        found = self._first_choice(ports)
        real = os.path.realpath(found)
        self._known = next((p for p in ports if p.usb and os.path.realpath(p.path) == real), None)
        return found

    def _first_choice(self, ports: Sequence[SerialPort]) -> str:
        instrument = self._instrument
        if self._given is not None:
            return self._given
        if self._wanted is not None:
            wanted = self._wanted
            matching = [p for p in ports if p.usb and wanted.matches(p.usb)]
            named = [p for p in matching if p.path == instrument.port]
            return _only(named or matching, ports, f"instrument {instrument.name!r}, usb {wanted}").path
        if instrument.port is not None:
            return instrument.port
        return _only([p for p in ports if p.usb], ports, f"instrument {instrument.name!r}").path


def _same_device(known: SerialPort, ports: Sequence[SerialPort], name: str) -> SerialPort:
    """The port at which the device last seen as `known` is now. Raises PortError."""
    assert known.usb is not None
    matching = [p for p in ports if p.usb and known.usb.matches(p.usb)]
    if known.usb.serial is None and known.location is not None:
        matching = [p for p in matching if p.location == known.location] or matching
    return _only(matching, ports, f"instrument {name!r}, usb {known.usb}")


def _only(matching: Sequence[SerialPort], ports: Sequence[SerialPort], what: str) -> SerialPort:
    """The one port in `matching`, or a PortError that lists what there is."""
    if len(matching) == 1:
        return matching[0]
    if matching:
        listed = "; ".join(str(port) for port in matching)
        raise PortError(
            f"{what}: several serial ports could be it: {listed}. Name one with --port or in the setup"
        )
    listed = "; ".join(str(port) for port in ports) or "none at all"
    raise PortError(f"{what}: no such serial port is plugged in; there are: {listed}")


def open_port(path: str, baud: int) -> serial.Serial:
    """The port `path`, opened raw for this process alone, reads never waiting longer than 0.1 s.

    Opening throws away what was waiting in the port's buffer. Raises PortError in one line that says why.
    """
    try:
        port = serial.Serial(path, baud, timeout=0.1, exclusive=None if sys.platform == "win32" else True)
    except PORT_FAILURES as error:
        raise PortError(f"{path}: {_why(error)}") from None
    _refuse_others(port, True)
    return port


def close_port(port: serial.Serial) -> None:
    """Close `port` and let others open it again; never raises, whatever became of the device."""
    _refuse_others(port, False)
    with contextlib.suppress(*PORT_FAILURES):
        port.close()


def _refuse_others(port: serial.Serial, refuse: bool) -> None:
    """Have the kernel refuse (or allow) other opens: the lock of pyserial is only seen by those who ask for
    it.

    Not on a pseudo-terminal: there the flag would outlive a killed recorder for as long as the other side is
    open.
    """
    if sys.platform != "win32":
        # a driver without this request, or a device that is gone: the lock of pyserial remains
        with contextlib.suppress(*PORT_FAILURES):
            descriptor = port.fileno()
            if not os.ttyname(descriptor).startswith(("/dev/pts/", "/dev/ttys")):
                fcntl.ioctl(descriptor, termios.TIOCEXCL if refuse else termios.TIOCNXCL)


def _why(error: Exception) -> str:
    """Why a port could not be opened, and what to do about it."""
    number = getattr(error, "errno", None)
    text = str(error)
    if number == errno.ENOENT or "FileNotFoundError" in text:
        return "no such serial port; is the instrument plugged in? `evenburn ports` lists what is there"
    if number == errno.EACCES or "PermissionError" in text:
        return "this user may not open it, or another program has it (on Linux the group is dialout or uucp)"
    if number in (errno.EBUSY, errno.EAGAIN):
        return "another program has it open; close that first"
    if "Could not configure port" in text or number == errno.EINVAL or isinstance(error, ValueError):
        return f"is not a serial port, or does not know this baud rate ({text})"
    return f"cannot be opened ({text})"
