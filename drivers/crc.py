"""The check value of every frame: CRC-16, polynomial 1021, initial value FFFF.

It is known as CRC-16/IBM-3740 (or "CCITT-FALSE"): no reflection, no final inversion, check value
29B1 for ``123456789``. On a board node avr-libc's ``_crc_xmodem_update`` computes the same when it
starts from FFFF, so neither end writes its own.
"""

from __future__ import annotations

import binascii


def crc16(data: bytes | bytearray | memoryview) -> int:
    """Give the CRC of ``data``, 0-65535; it is 0 over data followed by its own CRC, big-endian."""
    return binascii.crc_hqx(data, 0xFFFF)
