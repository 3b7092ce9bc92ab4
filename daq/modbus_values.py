"""What the registers of Modbus modules mean: raw 16-bit words to the fields of a line. No port in here."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from daq.line_writer import number
from daq.setupfile import ModbusBlock

#: Registers a value takes, and how `struct` reads them, the most significant byte first.
WORDS_AND_FORMATS = {
    "int16": (1, ">h"), "uint16": (1, ">H"), "int32": (2, ">i"), "uint32": (2, ">I"), "float32": (2, ">f"),
}  # fmt: skip


def register_count(block: ModbusBlock) -> int:
    """How many registers the block's columns take."""
    return WORDS_AND_FORMATS[block.type][0] * len(block.columns)


def fields(block: ModbusBlock, registers: Sequence[int]) -> list[str]:
    """One field a column from `register_count(block)` registers: a number, `open`, or empty for no reading."""
    words, form = WORDS_AND_FORMATS[block.type]
    result = []
    for first in range(0, len(registers), words):
        value_words = registers[first : first + words]
        if block.word_order == "little":
            value_words = value_words[::-1]
        (raw,) = struct.unpack(form, b"".join(word.to_bytes(2, "big") for word in value_words))
        if raw in block.open:
            result.append("open")
        elif raw in block.no_reading:
            result.append("")
        else:
            result.append(number(raw * block.scale + block.offset))
    return result
