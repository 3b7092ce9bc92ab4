"""The two checksums against published check values."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.checksum import crc16, xor_checksum

# NMEA 0183 example sentences (widely printed), checked with pynmea2 1.19.0
SENTENCES = [
    (b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
    (b"GPGLL,5300.97914,N,00259.98174,E,125926,A", 0x28),
    (b"GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E", 0x62),
]


@pytest.mark.parametrize(("sentence", "expected"), SENTENCES)
def test_nmea_sentences(sentence: bytes, expected: int) -> None:
    assert xor_checksum(sentence) == expected


def test_crc_check_value() -> None:
    """CRC-16/IBM-3740 gives 29B1 (catalogue of parametrised CRC algorithms; crccheck 1.3.1 and anycrc 2.1.0
    agree), where its neighbours XMODEM (31C3), KERMIT (2189) and MODBUS (4B37) give other values."""
    assert crc16(b"123456789") == 0x29B1
    assert binascii.crc_hqx(b"123456789", 0) == 0x31C3  # only the initial value tells them apart
    assert crc16(b"") == 0xFFFF


def crc16_by_definition(data: bytes) -> int:
    """Polynomial 0x1021, initial value 0xFFFF, unreflected, bit by bit."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1) ^ (0x1021 if register & 0x8000 else 0)
            register &= 0xFFFF
    return register


@given(st.binary(max_size=200))
def test_crc_is_the_polynomial_division(data: bytes) -> None:
    assert crc16(data) == crc16_by_definition(data)


@given(st.binary(min_size=1, max_size=60), st.data())
def test_every_changed_bit_is_noticed(data: bytes, draw: st.DataObject) -> None:
    bit = draw.draw(st.integers(0, 8 * len(data) - 1))
    damaged = bytearray(data)
    damaged[bit // 8] ^= 1 << bit % 8
    assert xor_checksum(bytes(damaged)) != xor_checksum(data)
    assert crc16(bytes(damaged)) != crc16(data)
