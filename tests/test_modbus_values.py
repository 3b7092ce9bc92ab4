"""Registers of a module to fields, and the module itself on a line with others that fail."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from source_rigs import ModbusLineRig

import daq.modbus_reader
from daq.errors import PortError, SetupError
from daq.modbus_reader import ASK_AGAIN_AFTER_S, ModbusReader
from daq.modbus_values import fields, register_count
from daq.reader import Received
from daq.setupfile import Instrument, ModbusBlock, ModbusLine, parse_setup


def block(**keys: object) -> ModbusBlock:
    given_keys = {"device": 7, "register": 0, "columns": ("egt1_C",), **keys}
    return ModbusBlock(**given_keys)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("keys", "registers", "text"),
    [
        ({"scale": 0.1}, [8123], "812.3"),
        ({"scale": 0.1}, [0xFF9C], "-10"),
        ({"type": "uint16", "scale": 0.03125, "offset": -273.0}, [0x8620], "800"),
        # the numbers 1.0 and −2.5 in IEEE 754 single precision are 3F800000 and C0200000
        ({"type": "float32"}, [0x3F80, 0x0000], "1"),
        ({"type": "float32", "word_order": "little"}, [0x0000, 0xC020], "-2.5"),
        ({"type": "float32"}, [0x7FC0, 0x0000], ""),
        ({"type": "int32", "scale": 0.001}, [0xFFFF, 0xFF9C], "-0.1"),
        ({"type": "uint32"}, [0xFFFF, 0xFFFF], "4.2949673e+09"),
        ({"no_reading": (-32768,)}, [0x8000], ""),
        ({"open": (32767,), "scale": 0.1}, [0x7FFF], "open"),
    ],
)
def test_raw_words_become_the_field(keys: dict[str, object], registers: list[int], text: str) -> None:
    (found,) = fields(block(**keys), registers)
    assert found == text or float(found) == pytest.approx(float(text), rel=1e-8)


@given(st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=8), st.sampled_from(["big", "little"]))
def test_floats_in_either_order_come_back(values: list[float], order: str) -> None:
    made = block(type="float32", word_order=order, columns=tuple(f"c{n}" for n in range(len(values))))
    registers: list[int] = []
    for value in values:
        words = struct.unpack(">2H", struct.pack(">f", value))
        registers += words if order == "big" else reversed(words)
    assert len(registers) == register_count(made)
    for text, value in zip(fields(made, registers), values, strict=True):
        assert float(text) == pytest.approx(value, rel=1e-8, abs=1e-12)


class Clock:
    def __init__(self) -> None:
        self.now_s = 50.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(daq.modbus_reader, "ANSWER_WITHIN_S", 1.0)
    rig = ModbusLineRig(tmp_path, [8123, 0x8000, 65535, 3000])
    yield rig
    rig.close()


def reader_of(
    line: ModbusLineRig, clock: Clock, *blocks: ModbusBlock, polls_Hz: float = 10.0
) -> ModbusReader:
    instrument = Instrument(baud=115200, modbus=ModbusLine(block=blocks, parity="none", polls_Hz=polls_Hz))
    return ModbusReader(instrument, lambda: str(line.path), clock, clock.sleep)


def polls(reader: ModbusReader, n: int) -> list[str]:
    """The lines of the next `n` polls; on the hand-set clock waiting takes no time."""
    lines: list[str] = []
    for _ in range(n):
        event = reader.read(0.2)
        assert event is None or isinstance(event, Received)
        lines += [] if event is None else event.data.decode().splitlines()
    return lines


def test_a_module_is_polled_on_time_and_both_tables_are_read(line: ModbusLineRig) -> None:
    clock = Clock()
    inputs = block(columns=("egt1_C", "egt2_C"), scale=0.1, no_reading=(-32768,))
    holding = block(register=3, table="holding", type="uint16", columns=("rpm",))
    reader = reader_of(line, clock, inputs, holding)
    try:
        assert polls(reader, 1) == ["#time_ms,egt1_C,egt2_C,rpm"]
        found = polls(reader, 3)
    finally:
        reader.close()
    assert found[0] == "#time_ms,egt1_C,egt2_C,rpm"
    assert [text.split(",")[1:] for text in found[1:]] == [["812.3", "", "3000"]] * 3
    assert [int(text.split(",")[0]) for text in found[1:]] == pytest.approx(
        [50000, 50100, 50200], rel=0, abs=1
    )


def test_a_module_that_is_not_there_leaves_its_columns_empty_and_is_asked_again_now_and_then(
    line: ModbusLineRig,
) -> None:
    clock = Clock()
    reader = reader_of(line, clock, block(scale=0.1), block(device=9, columns=("egt9_C",)))
    try:
        asked_at: list[float] = []
        ask = reader._connection._ask  # type: ignore[union-attr]

        def watched(of: ModbusBlock) -> list[int] | None:
            if of.device == 9 and clock() >= reader._connection._asleep_until_s.get(9, 0.0):  # type: ignore[union-attr]
                asked_at.append(clock())
            return ask(of)

        reader._connection._ask = watched  # type: ignore[union-attr]
        lines = polls(reader, 32)
    finally:
        reader.close()
    samples = [text for text in lines if not text.startswith("#")]
    assert len(samples) == 31
    assert all(text.endswith(",812.3,") for text in samples)
    assert len(asked_at) == 2
    assert asked_at[1] - asked_at[0] >= ASK_AGAIN_AFTER_S - 1e-9


def test_a_module_that_refuses_a_register_is_a_remark_said_once(line: ModbusLineRig) -> None:
    clock = Clock()
    reader = reader_of(line, clock, block(scale=0.1), block(register=500, columns=("egt2_C",)))
    try:
        lines = polls(reader, 6)
    finally:
        reader.close()
    remarks = [text for text in lines if text.startswith("# ")]
    # exception 2 is "illegal data address" (MODBUS Application Protocol Specification V1.1b3, section 7)
    assert remarks == [
        "# module 7 refuses input register 500 (exception 2): does the setup name its registers rightly?"
    ]
    assert lines[-1].endswith(",812.3,")


def test_a_port_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    instrument = Instrument(modbus=ModbusLine(block=(block(),)))
    with pytest.raises(PortError, match="no such serial port"):
        ModbusReader(instrument, lambda: str(tmp_path / "nothing"))


WRONG = [
    ("[instrument.modbus]\nblock = []", "names 0 columns; it takes 1 to 59"),
    ("[[instrument.modbus.block]]\ndevice = 0\nregister = 0\ncolumns = ['egt1_C']", "expected a whole number >= 1"),
    ("[[instrument.modbus.block]]\ndevice = 1\nregister = 0\ncolumns = ['egt1_C', 'egt1_C']", "names two columns"),
    ("[[instrument.modbus.block]]\ndevice = 1\nregister = 0\ncolumns = ['egt2_C']", "sends no such column"),
    (
        "[[instrument.modbus.block]]\ndevice = 1\nregister = 0\ntype = 'int8'\ncolumns = ['egt1_C']",
        "'int8' is not one of 'int16', 'uint16', 'int32', 'uint32', 'float32'",
    ),
    ("columns = ['time_ms', 'egt1_C']\n[instrument.can]\ndbc = []\nsignals = {egt1_C = 'T'}", "for a line stream"),
    ("usb = '1209:1'\n[instrument.can]\ndbc = []\nsignals = {egt1_C = 'T'}", "usb is for serial ports"),
    (
        "[instrument.can]\ndbc = []\nsignals = {egt1_C = 'T'}\n[[instrument.modbus.block]]\n"
        "device = 1\nregister = 0\ncolumns = ['egt2_C']",
        "is either on can or on modbus",
    ),
    ("[instrument.can]\ndbc = []\nsignals = {'egt 1_C' = 'T'}", "'egt 1_C' cannot be a column's name"),
    ("[instrument.can]\nsignals = {egt1_C = 'T'}", "instrument number 1, can: the key 'dbc' is missing"),
    ("[instrument.can]\ndbc = []\nsignals = {egt1_C = 'T'}\nbitrate = 1", "did you mean 'bitrate_bps'?"),
]  # fmt: skip


@pytest.mark.parametrize(("section", "said"), WRONG)
def test_a_mistake_in_the_setup_is_named(section: str, said: str) -> None:
    text = (
        f'[engine]\nname = "x"\n[[instrument]]\n{section}\n[[bank]]\nname = "only"\ncylinders = [1]\n'
        '[[probe]]\ncylinder = 1\ncolumn = "egt1_C"\n'
    )
    with pytest.raises(SetupError) as error:
        parse_setup(text)
    assert said in str(error.value)
