"""Recording: several instruments at once into one session, so that nothing slow can stall a port.

One thread per port reads and fills a bounded queue; one thread takes what is there every 25 ms, writes it and
looks after the alarms (`daq.recording`); one thread syncs the disk once a second. What a page wants to know
is in the session itself, rates in the CSVs and losses in the marks: no file beside the contract's three kinds
is written.
"""

from __future__ import annotations

import math
import shutil
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from daq.errors import SessionError
from daq.inbox import Inbox
from daq.reader import Lost, Reader
from daq.recording import LOOK_EVERY_S, Recording
from daq.session import SessionWriter
from daq.setupfile import Setup, parse_setup, read_setup_text
from daq.sources import close_readers, open_readers

#: How long [s] samples are gathered before they are written in one call.
BATCH_S = 0.025
#: How often [s] the disk is synced and the status is told.
SYNC_EVERY_S = 0.8  # a power cut costs one interval and the sync itself: together under a second
#: Room in the queue for each instrument; at 115 200 baud it lasts for a minute or longer.
QUEUE_BYTES = 16_000_000
#: Longest wait [s] of a reading thread for bytes; of a stop for a thread that hangs in a driver, and for the disk.
READ_WAIT_S, DRIVER_WAIT_S, DISK_WAIT_S = 0.1, 5.0, 60.0
#: Most pieces that a reading thread takes after the stop: what had arrived, not what goes on arriving.
LAST_READS = 16

Clock = Callable[[], float]


@dataclass(frozen=True)
class InstrumentStatus:
    """One instrument: samples written so far and per second, lines dropped by reason, s since the last
    sample.

    state: `open`, `silent`, `gone`, `closed` or `failed`. queue_fill: 0…1. lost_bytes: found no room in the
    queue.
    """

    name: str
    port: str
    state: str
    samples: int
    rate_Hz: float
    dropped: Mapping[str, int]
    silent_s: float
    queue_fill: float
    lost_bytes: int
    reconnects: int


@dataclass(frozen=True)
class RecorderStatus:
    """A recording at one moment. disk_left_s: how long the disk lasts at the present size, NaN while not
    known.

    alarms: those that are on, problems: what the user should know, both as sentences. listener_errors: how
    often the one who is told this status has failed.
    """

    elapsed_s: float
    instruments: tuple[InstrumentStatus, ...]
    alarms: tuple[str, ...]
    problems: tuple[str, ...]
    disk_free_bytes: int
    disk_left_s: float
    listener_errors: int = 0


class Recorder:
    """Records `readers` (instrument -> reader, one for each of the setup's instruments) until `stop`."""

    def __init__(
        self,
        setup: Setup,
        readers: Mapping[str, Reader],
        writer: SessionWriter,
        clock: Clock = time.perf_counter,
        queue_bytes: int = QUEUE_BYTES,
    ) -> None:
        self.ended = threading.Event()
        self.error: Exception | None = None
        self._readers, self._writer, self._clock = dict(readers), writer, clock
        self._inbox = Inbox(self._readers, queue_bytes)
        self._recording = Recording(setup, self._inbox, writer)
        self._failed: set[str] = set()
        self._stopping, self._all_read = threading.Event(), threading.Event()
        self._stop_lock, self._stopped = threading.Lock(), False
        self._reading = [
            threading.Thread(target=self._read, args=item, name=f"read {item[0]}", daemon=True)
            for item in self._readers.items()
        ]
        self._writing = [
            threading.Thread(target=self._guard, args=(work,), name=name, daemon=True)
            for name, work in (("write", self._write), ("sync", self._sync))
        ]

    def start(self) -> None:
        """Begin to record."""
        for thread in (*self._writing, *self._reading):
            thread.start()

    def stop(self, reason: str = "stopped") -> None:
        """End in order: ports first, then what they delivered, then the session. A second call does nothing.

        Raises what ended the recording early (SessionError where the session could not be written).
        """
        with self._stop_lock:
            if self._stopped:
                return
            self._stopped = True
            self._stopping.set()
            _join(self._reading, DRIVER_WAIT_S)
            self._all_read.set()
            if not _join(self._writing, DISK_WAIT_S) and self.error is None:
                folder = self._writer.folder
                self.error = SessionError(
                    f"{folder}: the disk did not take the last samples in {DISK_WAIT_S:g} s"
                )
            try:
                self._writer.close(reason if self.error is None else f"error: {self.error}")
            finally:
                self.ended.set()
        if self.error is not None:
            raise self.error

    def status(self, listener_errors: int = 0) -> RecorderStatus:
        """How the recording is doing now."""
        elapsed_s = self._writer.now_s
        free, left_s = _disk(self._writer.folder, elapsed_s)
        problems = tuple(self._recording.problems.values())
        if self.error is not None:
            problems = (str(self.error), *problems)
        return RecorderStatus(
            elapsed_s=elapsed_s,
            instruments=tuple(self._instrument(name, elapsed_s) for name in self._readers),
            alarms=self._recording.alarms,
            problems=problems,
            disk_free_bytes=free,
            disk_left_s=left_s,
            listener_errors=listener_errors,
        )

    def _instrument(self, name: str, elapsed_s: float) -> InstrumentStatus:
        reader, intake = self._readers[name], self._recording.intakes[name]
        return InstrumentStatus(
            name=name,
            port=reader.port,
            state="failed" if name in self._failed else reader.state.value,
            samples=intake.samples,
            rate_Hz=self._recording.rates_Hz[name],
            dropped=intake.dropped,
            silent_s=max(0.0, elapsed_s - self._recording.heard_s[name]),
            queue_fill=self._inbox.fill(name),
            lost_bytes=intake.lost_bytes,
            reconnects=intake.reconnects,
        )

    def _read(self, name: str, reader: Reader) -> None:
        """One port's thread: nothing in here waits for a disk, a page or another port."""
        try:
            while not self._stopping.is_set():
                event = reader.read(READ_WAIT_S)
                if event is not None:
                    self._inbox.put(name, event)
            for _ in range(LAST_READS):
                event = reader.read(0.0)
                if event is None:
                    break
                self._inbox.put(name, event)
        except Exception as error:  # one reader's defect must not take the others with it
            self._failed.add(name)
            self._inbox.put(name, Lost(self._clock(), f"its reader failed: {error!r}"))
        finally:
            reader.close()

    def _write(self) -> None:
        while not self._all_read.is_set():
            self._inbox.wait(LOOK_EVERY_S)
            self._all_read.wait(BATCH_S)
            self._recording.turn(self._writer.now_s)
        self._recording.end(self._writer.now_s)

    def _sync(self) -> None:
        while not self._all_read.wait(SYNC_EVERY_S):
            self._writer.sync()

    def _guard(self, work: Callable[[], None]) -> None:
        """Run a writing thread; what ends it early ends the recording, and is raised by `stop`."""
        try:
            work()
        except Exception as error:
            if self.error is None:
                self.error = error
            self.ended.set()


def record(
    setup_path: str | Path,
    out_dir: str | Path,
    ports: Mapping[str, str] | None = None,
    stop: threading.Event | None = None,
    on_status: Callable[[RecorderStatus], None] | None = None,
    clock: Clock = time.perf_counter,
) -> Path:
    """Record what the setup's instruments say into the session folder `out_dir` until `stop` is set.

    out_dir: must not exist yet, or be empty; nothing is ever overwritten. ports: instrument -> path, instead
    of what the setup says. on_status: told the status about once a second; what it raises is counted, not
    passed on. clock: a clock [s] that never steps. Returns the session folder. Raises SetupError, PortError,
    ExtraError (before anything is written) and SessionError (also when the disk fails later).
    """
    stop = threading.Event() if stop is None else stop
    setup_text = read_setup_text(setup_path)
    setup = parse_setup(setup_text, str(setup_path))
    readers = open_readers(setup, ports or {}, clock, Path(setup_path).parent)
    try:
        writer = SessionWriter.create(
            out_dir,
            setup_text,
            clock=clock,
            details={"ports": {name: reader.port for name, reader in readers.items()}},
        )
    except BaseException:
        close_readers(readers)
        raise
    recorder = Recorder(setup, readers, writer, clock)
    recorder.start()
    try:
        _tell_until(stop, recorder, on_status)
    finally:
        recorder.stop()
    return writer.folder


def _tell_until(
    stop: threading.Event, recorder: Recorder, on_status: Callable[[RecorderStatus], None] | None
) -> None:
    """Tell `on_status` how it goes, until `stop` is set or the recording has ended by itself."""
    errors = 0
    while not stop.wait(SYNC_EVERY_S) and not recorder.ended.is_set():
        if on_status is not None:
            try:
                on_status(recorder.status(errors))
            except Exception:  # a page or a terminal that fails must not end the recording
                errors += 1


def _join(threads: list[threading.Thread], timeout_s: float) -> bool:
    """Wait for the threads that were started; whether all ended. One that hangs is left to the end of the process."""
    for thread in threads:
        if thread.ident is not None:
            thread.join(timeout_s)
    return not any(thread.is_alive() for thread in threads)


def _disk(folder: Path, elapsed_s: float) -> tuple[int, float]:
    """Free bytes where the session is, and for how many s they last if it goes on growing as it did."""
    try:
        free = shutil.disk_usage(folder).free
        size = sum(entry.stat().st_size for entry in folder.iterdir())
    except OSError:
        return 0, math.nan
    return free, free * elapsed_s / size if size and elapsed_s > 0.0 else math.nan
