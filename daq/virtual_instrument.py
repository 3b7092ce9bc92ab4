"""A virtual serial port on which a virtual engine speaks, as a board that restarts when its port is opened.

The port is one side of a pseudo-terminal, so what reads it goes through a real device file. Nothing is lost:
the writer waits until the reader has opened the port and emptied its buffer (opening a serial port throws
away what was waiting there), and a reader that is slow holds the writer up instead of losing lines.
"""

from __future__ import annotations

import contextlib
import os
import select
import struct
import sys
import threading
import time
from pathlib import Path
from types import TracebackType

from daq.errors import PortError
from daq.virtual_engine import VirtualEngine

if sys.platform != "win32":
    import fcntl
    import termios
    import tty

# Longest wait [s] for a reader to empty the buffer after opening; one that does not starts to get lines then.
FLUSH_WAIT_S = 0.5
# How often [s] the writer looks whether it is to stop, or whether somebody opened the port.
LOOK_S = 0.05
# Lines handed over at once when nothing but the reader sets the pace.
BLOCK_BYTES = 2048


class VirtualInstrument:
    """`engine` behind a serial port at `path`; each opening of the port starts the engine from cold.

    speed: engine seconds per second, None as fast as the reader takes the lines. link: a path to make as a
    symbolic link to the port, for a name that is known beforehand. Use as a context manager, or `start` and
    `stop`. Raises PortError where there are no pseudo-terminals or `link` cannot be made.
    """

    def __init__(self, engine: VirtualEngine, speed: float | None = 1.0, link: Path | None = None) -> None:
        if sys.platform == "win32":
            raise PortError("a virtual serial port needs pseudo-terminals: Linux or macOS")
        self._engine, self._speed, self._link = engine, speed, link
        self._master, slave = os.openpty()
        tty.setraw(slave)
        # Packet mode tells the writer when the reader empties its buffer.
        fcntl.ioctl(self._master, termios.TIOCPKT, struct.pack("i", 1))
        os.set_blocking(self._master, False)
        self._terminal = os.ttyname(slave)
        os.close(slave)  # from here on a hang-up means that nobody has the port open
        self.path = str(link) if link else self._terminal
        self._sent_s, self._flushed = 0.0, False
        self._stopping, self._finished = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._serve, name="virtual instrument", daemon=True)
        if link is not None:
            self._make_link(link)
        self._thread.start()

    @property
    def sent_s(self) -> float:
        """Engine time [s] of the newest line since the port was last opened: a clock for who reads it."""
        return self._sent_s

    @property
    def finished(self) -> bool:
        """Whether the engine's last line has been read."""
        return self._finished.is_set()

    def wait_finished(self, timeout_s: float) -> bool:
        """Wait at most `timeout_s` [s] for the last line to be read; whether it was."""
        return self._finished.wait(timeout_s)

    def stop(self) -> None:
        """End the thread and take the port away; a second call does nothing."""
        if self._stopping.is_set():
            return
        self._stopping.set()
        self._thread.join()
        os.close(self._master)
        if self._link is not None and self._link.is_symlink():
            self._link.unlink()

    def __enter__(self) -> VirtualInstrument:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _make_link(self, link: Path) -> None:
        try:
            if link.is_symlink():
                link.unlink()
            link.symlink_to(self._terminal)
        except OSError as error:
            os.close(self._master)
            raise PortError(f"{link}: the virtual port cannot be named so ({error.strerror})") from None

    def _serve(self) -> None:
        while not self._stopping.is_set():
            if self._wait_for_reader() and self._print_session():
                self._finished.set()
                while not self._stopping.wait(LOOK_S) and not self._reader_changed():
                    pass

    def _wait_for_reader(self) -> bool:
        """Whether somebody has opened the port and is ready for the first line."""
        while self._hung_up():
            if self._stopping.wait(LOOK_S):
                return False
        self._finished.clear()
        deadline = time.monotonic() + FLUSH_WAIT_S
        while not self._flushed and time.monotonic() < deadline and not self._stopping.wait(LOOK_S / 5):
            if self._reader_changed() and not self._flushed:
                return False
        self._flushed = False
        return True

    def _reader_changed(self) -> bool:
        """Whether the reader left, or emptied its buffer as on opening; what it sends is thrown away."""
        if self._hung_up():
            return True
        with contextlib.suppress(OSError):  # nothing to read, or the reader has just left
            packet = os.read(self._master, 1024)
            self._flushed = bool(packet and packet[0] & termios.TIOCPKT_FLUSHREAD)
        return self._flushed

    def _print_session(self) -> bool:
        """Print the engine from its start; False when the reader changed or this is to stop."""
        begin_s, waiting = time.monotonic(), bytearray()
        for line in self._engine.lines():
            if self._speed is not None:
                self._stopping.wait(max(0.0, begin_s + line.time_s / self._speed - time.monotonic()))
            waiting += line.data
            self._sent_s = line.time_s  # before it is written, so that no reader's clock is ahead of it
            if self._speed is not None or len(waiting) >= BLOCK_BYTES:
                if not self._write(waiting):
                    return False
                waiting.clear()
        return self._write(waiting) and self._drained()

    def _write(self, data: bytes | bytearray) -> bool:
        """Hand `data` over, waiting while the reader is behind; False when it changed or this is to stop."""
        rest = memoryview(bytes(data))
        while rest and not self._stopping.is_set():
            writable = select.select([], [self._master], [], LOOK_S)[1]
            if self._reader_changed():
                return False
            if writable:
                with contextlib.suppress(BlockingIOError):
                    rest = rest[os.write(self._master, rest) :]
        return not rest

    def _drained(self) -> bool:
        """Wait until the reader has taken everything; False when it changed or this is to stop."""
        empty = 0
        while not self._stopping.is_set() and not self._reader_changed():
            # The kernel moves bytes to the reader's side a moment after they were written: look twice.
            empty = empty + 1 if self._unread_bytes() == 0 else 0
            if empty == 2:
                return True
            self._stopping.wait(LOOK_S)
        return False

    def _unread_bytes(self) -> int:
        """How many bytes wait on the reader's side."""
        slave = os.open(self._terminal, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            count: int = struct.unpack("i", fcntl.ioctl(slave, termios.FIONREAD, struct.pack("i", 0)))[0]
            return count
        finally:
            os.close(slave)

    def _hung_up(self) -> bool:
        """Whether nobody has the port open."""
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        return any(event & select.POLLHUP for _, event in poll.poll(0))
