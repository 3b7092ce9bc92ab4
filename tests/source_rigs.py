"""One instrument in four guises, for the suite that every source has to pass: serial, CAN, J1939 and Modbus.

Each says the same three quantities (two exhaust temperatures and the speed) when told, goes silent, is unplugged
and comes back. The CAN bus is the virtual one of python-can, the Modbus module is pymodbus' own server behind a
pseudo-terminal.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import select
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Protocol

import can
import cantools
from pty_rig import PtyInstrument
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from daq.can_reader import CanReader, open_bus
from daq.can_signals import READY_MADE
from daq.errors import PortError
from daq.modbus_reader import ASK_AGAIN_AFTER_S, ModbusReader
from daq.reader import Reader
from daq.serial_reader import SerialReader
from daq.setupfile import Setup

Clock, Sleep = Callable[[], float], Callable[[float], None]
Values = tuple[float | None, float | None, float]  # cylinder 1 and 2 [°C], 1/min; None: no reading

# the user's own definition: big-endian and little-endian, with offsets, as engine controllers have them
DBC = """\
VERSION ""
NS_ :
BS_:
BU_: Controller
BO_ 1536 Exhaust1: 3 Controller
 SG_ Temperature1 : 7|16@0+ (0.1,-50) [0|0] "degC" Vector__XXX
 SG_ Spare : 16|8@1+ (1,0) [0|0] "" Vector__XXX
BO_ 1537 Exhaust2: 2 Controller
 SG_ Temperature2 : 0|16@1+ (0.1,-50) [0|0] "degC" Vector__XXX
BO_ 1538 Engine: 8 Controller
 SG_ Speed : 8|16@1+ (0.25,0) [0|0] "rpm" Vector__XXX
"""
DEVICE = 7  # the module's address
CHANNELS = (f"test-{number}" for number in itertools.count())


class Rig(Protocol):
    """An instrument that can be told what to say.

    step_C: the resolution of its temperatures. back_within_s: how soon it is heard again after a silence.
    """

    instrument: str
    step_C: float
    back_within_s: float
    has_own_clock: bool

    def open(self, setup: Setup, folder: Path, clock: Clock, sleep: Sleep) -> Reader: ...
    def say(self, time_s: float, values: Values) -> None: ...
    def be_silent(self) -> None: ...
    def unplug(self) -> None: ...
    def plug(self) -> None: ...
    def close(self) -> None: ...


class SerialRig:
    """The line stream on a pseudo-terminal."""

    instrument = '[[instrument]]\nname = "main"\n'
    step_C, back_within_s, has_own_clock = 0.01, 0.1, True

    def __init__(self, folder: Path) -> None:
        self._device = PtyInstrument(folder / "port")
        self._headed = False

    def open(self, setup: Setup, folder: Path, clock: Clock, sleep: Sleep) -> Reader:
        return SerialReader(lambda: self._device.path, setup.instrument[0].baud, clock, sleep)

    def say(self, time_s: float, values: Values) -> None:
        if not self._headed:
            self._device.say(b"#time_ms,egt1_C,egt2_C,rpm\n")
            self._headed = True
        texts = ["" if value is None else f"{value:.2f}" for value in values]
        self._device.say(f"{round(1000 * time_s) % 2**32},{','.join(texts)}\n".encode())

    def be_silent(self) -> None:
        pass

    def unplug(self) -> None:
        self._device.unplug()

    def plug(self) -> None:
        self._device.plug()
        self._headed = False

    close = unplug


class CanRig:
    """Frames on the virtual bus of python-can, signals by a DBC file of the user's."""

    instrument = (
        '[[instrument]]\nname = "main"\nport = "{channel}"\n[instrument.can]\ninterface = "virtual"\n'
        'dbc = ["boat.dbc"]\n'
        'signals = {{egt1_C = "Temperature1", egt2_C = "Exhaust2.Temperature2", rpm = "Speed"}}\n'
    )
    step_C, back_within_s, has_own_clock = 0.1, 0.1, True
    messages: tuple[tuple[str, str], ...] = (
        ("Exhaust1", "Temperature1"), ("Exhaust2", "Temperature2"), ("Engine", "Speed"),
    )  # fmt: skip

    def __init__(self, folder: Path) -> None:
        self._channel = next(CHANNELS)
        self.instrument = self.instrument.format(channel=self._channel)
        (folder / "boat.dbc").write_text(DBC, encoding="utf-8")
        self._database: Any = self._definition()
        self._bus = can.Bus(interface="virtual", channel=self._channel, preserve_timestamps=True)
        self._there = True

    def _definition(self) -> Any:
        return cantools.database.load_string(DBC, "dbc")

    def open(self, setup: Setup, folder: Path, clock: Clock, sleep: Sleep) -> Reader:
        return CanReader(setup.instrument[0], None, folder, clock, sleep, self._open_bus)

    def _open_bus(self, *arguments: Any) -> Any:
        if not self._there:
            raise PortError("no such device")
        return UnpluggableBus(open_bus(*arguments), lambda: self._there)

    def say(self, time_s: float, values: Values) -> None:
        self._send(0x123, time_s, b"nothing of ours", is_extended_id=False)
        for (name, signal), value in zip(self.messages, values, strict=True):
            message = self._database.get_message_by_name(name)
            if value is not None:
                data = message.encode(
                    {s.name: value if s.name == signal else 0 for s in message.signals}, strict=False
                )
                self._send(self._identifier(message), time_s, data, message.is_extended_frame)

    def _identifier(self, message: Any) -> int:
        return int(message.frame_id)

    def _send(self, identifier: int, time_s: float, data: bytes, is_extended_id: bool) -> None:
        frame = can.Message(
            arbitration_id=identifier, data=data[:8], timestamp=time_s, is_extended_id=is_extended_id
        )
        self._bus.send(frame)

    def be_silent(self) -> None:
        pass

    def unplug(self) -> None:
        self._there = False

    def plug(self) -> None:
        self._there = True

    def close(self) -> None:
        self._bus.shutdown()


class J1939Rig(CanRig):
    """The same by the ready-made definition of SAE J1939; what is not there is said to be not available."""

    instrument = (
        '[[instrument]]\nname = "main"\nport = "{channel}"\n[instrument.can]\ninterface = "virtual"\n'
        'dbc = ["j1939-exhaust-ports"]\n'
        'signals = {{egt1_C = "ExhaustPort1Temperature", egt2_C = "ExhaustPort2Temperature", rpm = "EngineSpeed"}}\n'
    )
    step_C = 0.03125

    def _definition(self) -> Any:
        return cantools.database.load_file(READY_MADE["j1939-exhaust-ports"])

    def say(self, time_s: float, values: Values) -> None:
        raw = [0xFF00 if value is None else round((value + 273) / 0.03125) for value in values[:2]]
        ports = b"".join(value.to_bytes(2, "little") for value in (*raw, 0xFFFF, 0xFFFF))
        speed = round(values[2] / 0.125).to_bytes(2, "little")
        self._send(0x18FEA300, time_s, ports, is_extended_id=True)
        self._send(0x0CF00400, time_s, b"\xff\xff\xff" + speed + b"\xff\xff\xff", is_extended_id=True)


class UnpluggableBus:
    """A bus of python-can whose adapter can be pulled out."""

    def __init__(self, bus: Any, is_there: Callable[[], bool]) -> None:
        self._bus, self._is_there = bus, is_there

    def recv(self, timeout_s: float) -> Any:
        if not self._is_there():
            raise can.CanOperationError("the network is down")
        return self._bus.recv(timeout_s)

    def shutdown(self) -> None:
        self._bus.shutdown()


class ModbusLineRig:
    """pymodbus' own server behind a pseudo-terminal that can be pulled. `registers`: what the module holds."""

    def __init__(self, folder: Path, registers: Sequence[int], parity: str = "N") -> None:
        self.registers = list(registers)
        self.answers = True
        self.path = folder / "port"
        self._parity = parity
        self._module, self._module_path = _terminal()
        self._client: int | None = None
        self._stopping = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._listening = threading.Event()
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._serve, self._copy)]
        self.plug()
        for thread in self._threads:
            thread.start()
        assert self._listening.wait(10.0)

    def plug(self) -> None:
        self._client, name = _terminal()
        link = self.path.with_suffix(".new")
        link.symlink_to(name)
        link.rename(self.path)

    def unplug(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            os.close(client)
            self.path.unlink(missing_ok=True)

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._stop_serving)
        self._threads[0].join(10.0)
        self._stopping.set()
        self._threads[1].join(10.0)
        self.unplug()
        os.close(self._module)

    def _copy(self) -> None:
        """Bytes from the one side to the other and back."""
        while not self._stopping.is_set():
            client = self._client
            ends = [self._module] if client is None else [self._module, client]
            with contextlib.suppress(OSError, ValueError):  # pulled out meanwhile
                for end in select.select(ends, [], [], 0.01)[0]:
                    data = os.read(end, 4096)
                    other = client if end == self._module else self._module
                    to_somebody_else = end == client and data[0] != DEVICE
                    if other is not None and self.answers and not to_somebody_else:
                        os.write(other, data)

    def _serve(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._run_server())
        self._loop.close()

    async def _run_server(self) -> None:
        async def put(
            _function: int, _start: int, _address: int, _count: int, current: list[int], _set: Any
        ) -> None:
            current[: len(self.registers)] = self.registers

        block = SimData(0, count=len(self.registers), values=0, datatype=DataType.REGISTERS)
        server = ModbusSerialServer(
            SimDevice(DEVICE, simdata=[block], action=put),
            port=self._module_path,
            baudrate=115200,
            parity=self._parity,
            trace_connect=lambda connected: self._listening.set() if connected else None,
        )
        self._stop_serving = lambda: asyncio.ensure_future(server.shutdown())
        with contextlib.suppress(asyncio.CancelledError):
            await server.serve_forever()


def _terminal() -> tuple[int, str]:
    """(the one side, the path of the other) of a pseudo-terminal."""
    one, other = os.openpty()
    os.set_blocking(
        one, False
    )  # a side that nobody holds looks readable, and is not any more once it is opened
    name = os.ttyname(other)
    os.close(other)
    return one, name


class ModbusRig:
    """A module with two thermocouple inputs in 0.1 °C and a counter, on one line."""

    instrument = (
        '[[instrument]]\nname = "main"\n[instrument.modbus]\nparity = "none"\npolls_Hz = 20\n'
        "[[instrument.modbus.block]]\ndevice = 7\nregister = 2\nscale = 0.1\nno_reading = [-9999]\n"
        'columns = ["egt1_C", "egt2_C"]\n'
        '[[instrument.modbus.block]]\ndevice = 7\nregister = 4\ntype = "uint16"\ncolumns = ["rpm"]\n'
    )
    step_C, back_within_s, has_own_clock = 0.1, ASK_AGAIN_AFTER_S + 0.1, False

    def __init__(self, folder: Path) -> None:
        self._line = ModbusLineRig(folder, [0] * 6)
        self.said = 0

    def open(self, setup: Setup, folder: Path, clock: Clock, sleep: Sleep) -> Reader:
        return ModbusReader(setup.instrument[0], lambda: str(self._line.path), clock, sleep)

    def say(self, time_s: float, values: Values) -> None:
        raw = [-9999 if value is None else round(10 * value) for value in values[:2]]
        self._line.registers[2:5] = [value % 65536 for value in (*raw, round(values[2]))]
        self._line.answers = True

    def be_silent(self) -> None:
        self._line.answers = False

    def unplug(self) -> None:
        self._line.unplug()

    def plug(self) -> None:
        self._line.plug()

    def close(self) -> None:
        self._line.close()


RIGS: dict[str, type[Any]] = {"serial": SerialRig, "can": CanRig, "j1939": J1939Rig, "modbus": ModbusRig}
