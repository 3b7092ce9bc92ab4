"""Small sessions for tests: an inline two-cylinder engine of our own, with values that say where they stand."""

from __future__ import annotations

from pathlib import Path

from daq.session_writer import SessionWriter  # not daq.session: a process without pandas starts fast

SETUP = """\
[engine]
name = "harbour launch"
[[bank]]
name = "only"
cylinders = [1, 2]
[[lambda_sensor]]
bank = "only"
column = "lambda_V"
volts = [0.5, 4.5]
lambda = [0.65, 1.45]
[[probe]]
cylinder = 1
column = "egt1_mV"
cold_junction = "cj_C"
[[probe]]
cylinder = 2
column = "egt2_mV"
cold_junction = "cj_C"
[conditions]
rpm = "rpm"
"""
COLUMNS = ("time_ms", "cj_C", "egt1_mV", "egt2_mV", "lambda_V", "rpm")


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def row(number: int) -> tuple[str, ...]:
    """The fields of sample `number`, taken at 20 Hz; every seventh of cylinder 2 is open, every ninth missing."""
    second = "open" if number % 7 == 0 else "" if number % 9 == 0 else f"{28.0 + 0.001 * number:.3f}"
    return str(50 * number), "24.5", f"{30.0 + 0.001 * number:.3f}", second, "2.500", "2996"


def host_s(number: int) -> float:
    """When sample `number` arrived [s]."""
    return 0.05 * number + 0.004


def write_session(folder: Path, samples: int = 200, seal_every: int = 50, stop: bool = True) -> Path:
    """A session of `samples` samples, sealed after every `seal_every` of them, without a stop mark if not `stop`."""
    clock = Clock()
    writer = SessionWriter.create(folder, SETUP, clock=clock)
    writer.header("main", COLUMNS)
    for first in range(0, samples, 10):
        numbers = range(first, min(first + 10, samples))
        clock.now_s = 1000.0 + host_s(numbers[-1])
        writer.append("main", [host_s(n) for n in numbers], [row(n) for n in numbers])
        if (first + 10) % seal_every == 0:
            writer.mark("remark", f"{first + 10} samples")
            writer.seal()
    if stop:
        writer.close()
    return folder
