"""A recording that the dashboard began: the recorder runs in a process of its own and outlives a slow page."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import IO

from daq.errors import PortError, SessionError
from dashboard.session_folder import SessionFolder

STOP_S = 10.0
SAID_BYTES = 2000


RECORD = (sys.executable, "-m", "dashboard.cli", "record")


class Recording:
    """At most one `evenburn record` at a time."""

    def __init__(self, folder: SessionFolder, record: Sequence[str] = RECORD) -> None:
        self._folder = folder
        self._record = tuple(record)
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._output: IO[bytes] | None = None
        self.name = ""

    @property
    def running(self) -> bool:
        """Whether the recorder is at work."""
        return self._process is not None and self._process.poll() is None

    def start(self, setup: Path, name: str, port: str | None) -> str:
        """Begin a session called `name`; returns that name.

        port: None for the setup's own; for a setup of several instruments NAME=PORT for each, blanks between.
        Raises SessionError (running already, name taken) or PortError (a port that is no device's name).
        """
        if port and ("://" in port or not port.isprintable() or any(w[0] == "-" for w in port.split())):
            raise PortError(f"{port!r} is not the name of a serial port")
        with self._lock:
            if self.running:
                raise SessionError(f"{self.name} is being recorded; stop it first")
            target = self._folder.new_path(name)
            command = [*self._record, str(setup), "--out", str(target)]
            self._forget()
            self._output = tempfile.TemporaryFile()  # noqa: SIM115 (closed by _forget)
            self._process = subprocess.Popen(
                [*command, *(word for each in (port or "").split() for word in ("--port", each))],
                stdin=subprocess.DEVNULL,
                stdout=self._output,
                stderr=subprocess.STDOUT,
                # an interrupt typed at the dashboard's terminal must reach the recorder through stop() only
                start_new_session=True,
            )
            self.name = target.name
            return self.name

    def stop(self) -> None:
        """End the recording in order, and by force if it does not within STOP_S; nothing if there is none."""
        with self._lock:
            process = self._process
            if process is None or process.poll() is not None:
                return
            process.send_signal(signal.SIGINT if sys.platform != "win32" else signal.SIGTERM)
            try:
                process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    def failure(self) -> str:
        """The recorder's last words if it ended by itself with an error, else nothing."""
        process = self._process
        if process is None or process.poll() in (None, 0):
            return ""
        lines = self._said().strip().splitlines()
        return lines[-1] if lines else f"the recorder ended with status {process.returncode}"

    def _said(self) -> str:
        if self._output is None:
            return ""
        size = self._output.seek(0, 2)
        self._output.seek(max(0, size - SAID_BYTES))
        return self._output.read().decode("utf-8", "replace")

    def _forget(self) -> None:
        if self._output is not None:
            self._output.close()
            self._output = None

    def close(self) -> None:
        """Stop and let go of everything."""
        self.stop()
        self._forget()
