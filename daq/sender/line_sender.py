"""A reference sender of the line stream for a small microcontroller board, in MicroPython.

Copy it onto the board as `main.py`, name the columns, and fill in `read_converter` for the converter on the board
(any of 24 bits will do). Everything else is the protocol: a header at the start and every 10 s, samples on time
with the board's own counter, and a CRC-16 on each line, so that a damaged line is known as one.

Wire it first with the engine off, and see what it says with `evenburn ports PORT`.
"""

import sys
import time

try:  # for type checkers; a board has none of it, nor of contextlib  # noqa: SIM105
    from collections.abc import Callable, Sequence
except ImportError:
    pass

COLUMNS = ("cj_C", "egt1_mV", "egt2_mV", "egt3_mV", "egt4_mV")
PERIOD_MS = 50
HEADER_EVERY_MS = 10_000


def read_converter() -> "Sequence[float | str | None]":
    """One value for each of COLUMNS, measured now: the part to fill in.

    A number in the column's unit, None for no reading, or "open" where the converter's own test current finds
    the thermocouple broken. The temperature of the terminals (cj_C) is as important as the voltages: have its sensor
    on the terminal block, not on the chip. With a converter whose driver gives 24-bit counts:

        raw = converter.read(channel)
        return [terminals_C(), *(counts_to_mV(raw, 2500.0, 32) for raw in …)]
    """
    raise NotImplementedError("fill in read_converter for your converter")


def counts_to_mV(raw: int, reference_mV: float, gain: float) -> float:
    """Input voltage [mV] of a 24-bit two's complement result: full scale ±reference/gain at ±2²³ counts."""
    if raw & 0x800000:
        raw -= 0x1000000
    return raw * reference_mV / (gain * 0x800000)


def crc16(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, initial value 0xFFFF, not reflected; of b"123456789" it is 0x29B1."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
        crc &= 0xFFFF
    return crc


def checked(text: str) -> str:
    """A line with its CRC-16 and its end."""
    return "%s*%04X\n" % (text, crc16(text.encode()))  # noqa: UP031


def field(value: "float | str | None") -> str:
    """A value as it stands in a line: 0.1 µV of a voltage in mV are more than a thermocouple's noise."""
    if value is None or isinstance(value, str):
        return value or ""
    return "%.4f" % value  # noqa: UP031


class Sender:
    """Says the header and samples through `write`, on time by `ticks_ms`.

    read: as `read_converter`. ticks_ms, ticks_diff, sleep_ms: as of MicroPython's `time`; its ticks wrap far below
    the 32 bits of the line stream, so the time is counted up from their differences.
    """

    def __init__(
        self,
        columns: "Sequence[str]",
        read: "Callable[[], Sequence[float | str | None]]",
        write: "Callable[[str], object]",
        ticks_ms: "Callable[[], int]",
        ticks_diff: "Callable[[int, int], int]",
        sleep_ms: "Callable[[int], None]",
    ) -> None:
        self._columns, self._read, self._write = columns, read, write
        self._ticks_ms, self._ticks_diff, self._sleep_ms = ticks_ms, ticks_diff, sleep_ms
        self._ticks = ticks_ms()
        self._time_ms = 0  # since this began; a restart of the board shows as a counter that begins anew
        self._due_ms = 0
        self._header_due_ms = 0
        self._said_error = ""

    def step(self) -> None:
        """Wait for the next sample's time and say it, after a header wherever one is due."""
        wait_ms = self._due_ms - self._now_ms()
        if wait_ms > 0:
            self._sleep_ms(wait_ms)
        now_ms = self._now_ms()
        if now_ms >= self._header_due_ms:
            self._write(checked("#time_ms," + ",".join(self._columns)))
            self._header_due_ms = now_ms + HEADER_EVERY_MS
        values = self._values()
        counter = now_ms & 0xFFFFFFFF
        self._write(checked(",".join([str(counter)] + [field(value) for value in values])))
        self._due_ms += PERIOD_MS
        if self._due_ms < now_ms:  # what took too long is not made up for by a burst
            self._due_ms = now_ms + PERIOD_MS

    def _now_ms(self) -> int:
        ticks = self._ticks_ms()
        self._time_ms += self._ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._time_ms

    def _values(self) -> "Sequence[float | str | None]":
        """What the converter says; when it fails, no readings and a remark, and the stream goes on."""
        try:
            return self._read()
        except OSError as error:
            text = "the converter does not answer: " + str(error)
            if text != self._said_error:
                self._write(checked("# " + text))
                self._said_error = text
            return [None] * len(self._columns)


def main() -> None:
    """Run for ever on a board."""
    sender = Sender(
        COLUMNS,
        read_converter,
        sys.stdout.write,
        time.ticks_ms,  # type: ignore[attr-defined]
        time.ticks_diff,  # type: ignore[attr-defined]
        time.sleep_ms,  # type: ignore[attr-defined]
    )
    while True:
        sender.step()


if __name__ == "__main__":
    main()
