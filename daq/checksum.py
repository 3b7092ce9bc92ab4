"""The two checksums of the line stream."""

from __future__ import annotations

import binascii
from functools import reduce
from operator import xor


def xor_checksum(data: bytes) -> int:
    """XOR of all bytes, 0…255: the convention of NMEA 0183.

    >>> f"{xor_checksum(b'GPGLL,5300.97914,N,00259.98174,E,125926,A'):02X}"
    '28'
    """
    return reduce(xor, data, 0)


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, unreflected, no final XOR.

    >>> f"{crc16(b'123456789'):04X}"
    '29B1'
    """
    return binascii.crc_hqx(data, 0xFFFF)
