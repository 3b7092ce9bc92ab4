"""Reading Modbus RTU modules through pymodbus: polled in turn, and out come lines like any other instrument's.

The modules have no clock of their own, so the counter of the lines is this computer's: the middle of the poll.
A module that does not answer leaves its columns empty and is asked again only now and then, so that it does not
hold up the others.
"""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable
from typing import Any

from daq.errors import PortError, SetupError
from daq.extras import need
from daq.line_writer import LineWriter, remark
from daq.modbus_values import fields, register_count
from daq.ports import PORT_FAILURES, close_port, open_port
from daq.reader import ConnectionLost, ReopeningReader
from daq.setupfile import Instrument, ModbusBlock, ModbusLine

#: How long [s] an answer is waited for: at 9600 baud 16 registers take 45 ms, and modules think for some 10 ms.
ANSWER_WITHIN_S = 0.5
#: How long [s] a module that did not answer is left alone.
ASK_AGAIN_AFTER_S = 2.0


class ModbusReader(ReopeningReader):
    """Modbus RTU modules on a serial port as a `Reader`.

    instrument: with its section `modbus`. find: where the port is now, called before every opening.
    clock, sleep: as of `ReopeningReader`; polling keeps to them as well.
    Raises ExtraError, and PortError when the port cannot be opened at the start.
    """

    def __init__(
        self,
        instrument: Instrument,
        find: Callable[[], str],
        clock: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        settings, baud = instrument.modbus, instrument.baud
        if settings is None:
            raise SetupError(f"instrument {instrument.name!r}: has no section modbus")
        need("pymodbus", "modbus", "A Modbus module")
        super().__init__(lambda: _ModbusConnection(settings, find(), baud, clock, sleep), clock, sleep)


class _ModbusConnection:
    """The modules of one line while their port is there."""

    def __init__(
        self,
        settings: ModbusLine,
        port: str,
        baud: int,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        self.port = port
        self._settings, self._clock, self._sleep = settings, clock, sleep
        self._client = _open_client(settings, port, baud)
        columns = [column for block in settings.block for column in block.columns]
        self._writer = LineWriter(columns)
        self._said = self._writer.header
        self._due_s = clock()
        self._asleep_until_s: dict[int, float] = {}
        self._refused: set[tuple[int, int]] = set()

    def read(self, timeout_s: float) -> bytes:
        """The line of the next poll if it is due within `timeout_s` [s]. Raises ConnectionLost."""
        said, self._said = self._said, b""
        wait_s = self._due_s - self._clock()
        if said or wait_s > timeout_s:
            if not said:
                self._sleep(timeout_s)
            return said
        if wait_s > 0:
            self._sleep(wait_s)
        began_s = self._clock()
        self._due_s = max(self._due_s, began_s - 1.0) + 1.0 / self._settings.polls_Hz
        answers = [self._ask(block) for block in self._settings.block]
        said, self._said = self._said, b""
        if not any(answers):
            return said
        middle_s = (began_s + self._clock()) / 2
        texts = [
            text
            for block, registers in zip(self._settings.block, answers, strict=True)
            for text in (fields(block, registers) if registers else [""] * len(block.columns))
        ]
        return said + self._writer.sample(middle_s, texts)

    def close(self) -> None:
        """Let go of the port; never raises."""
        with contextlib.suppress(*PORT_FAILURES):
            self._client.close()

    def _ask(self, block: ModbusBlock) -> list[int] | None:
        """The registers of `block`, or None where its module gives none. Raises ConnectionLost."""
        from pymodbus.exceptions import ConnectionException, ModbusException

        if self._clock() < self._asleep_until_s.get(block.device, 0.0):
            return None
        call = (
            self._client.read_input_registers
            if block.table == "input"
            else self._client.read_holding_registers
        )
        count = register_count(block)
        gone: tuple[type[Exception], ...] = (ConnectionException, *PORT_FAILURES)
        try:
            answer: Any = call(block.register, count=count, device_id=block.device)
        except gone as error:
            raise ConnectionLost(" ".join(str(error).split())) from None
        except ModbusException:
            self._asleep_until_s[block.device] = self._clock() + ASK_AGAIN_AFTER_S
            return None
        if answer.isError() or len(answer.registers) != count:
            self._refuse(block, answer)
            return None
        return list(answer.registers)

    def _refuse(self, block: ModbusBlock, answer: Any) -> None:
        """Say once that a module answers, but not with what the setup asks for."""
        if (block.device, block.register) not in self._refused:
            self._refused.add((block.device, block.register))
            code = getattr(answer, "exception_code", "a wrong length")
            self._said += remark(
                f"module {block.device} refuses {block.table} register {block.register} (exception {code}): "
                "does the setup name its registers rightly?"
            )


def _open_client(settings: ModbusLine, port: str, baud: int) -> Any:
    """A client of pymodbus with `port` open. Raises PortError."""
    from pymodbus.client import ModbusSerialClient

    logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # else it prints every silence
    client = ModbusSerialClient(
        port,
        baudrate=baud,
        parity=settings.parity[0].upper(),
        stopbits=settings.stop_bits,
        timeout=ANSWER_WITHIN_S,
        retries=0,
    )
    if not client.connect():
        close_port(open_port(port, baud))  # raises PortError with the reason, which the client only logs
        raise PortError(f"{port}: cannot be opened for Modbus at {baud} baud, parity {settings.parity}")
    return client
